"""Trouble by name: what goes wrong with a rehearsed rig, so that it is seen before it happens.

Each comes at a moment that it is given or that the seed draws: from the rig's readying on, or in
the dark hours between a fifth and a half of them. Whatever lasts is over in time for the rig to be
parked and closed, since a rehearsal calls nobody.

Long on purpose: the list of troubles and one short function for each.
"""

import asyncio
import sqlite3
from collections.abc import Awaitable, Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeVar, TypeVarTuple, cast

import numpy as np
from astropy.io import fits

from nightloom.executor import Executor
from nightloom.frames.disk import RESERVED_BYTES
from nightloom.frames.image import Pixels
from nightloom.frames.writer import BLOCK_BYTES, FrameNotWritten, free_bytes, write_frame
from nightloom.rehearsal.lives import Lives
from nightloom.rig import SimulatedRig
from nightloom.sky import Interval
from nightloom_drivers.clock import Clock
from nightloom_drivers.simulators.faults import Faults
from nightloom_drivers.simulators.rig import (
    CAMERA,
    FOCUSER,
    GUIDE_CAMERA,
    MOUNT,
    ROOF,
    STATION,
    WHEEL,
)

T = TypeVar("T")
Ts = TypeVarTuple("Ts")

MINUTE_S = 60.0

ROOM_FRAMES = 3

SET_WRONG_S = 300.0

DOWN_S, POWER_BACK_S = 10.0, 60.0
"""From the daemon's death to its next start, and how long there is no power."""

EARLIEST, LATEST = 0.2, 0.5
"""Parts of the dark hours between which a trouble of the night comes."""


class TroubledDisk:
    """An executor for the disk of frames; `fills` leaves room for a few frames more, and `refuses`
    has fsync fail for so many.

    Beside it the disk holds what is kept free: frames that are still coming down find room.
    """

    def __init__(self, store: Executor) -> None:
        self._store = store
        self._frame_bytes = self._written = self._refusals = 0
        self._most: int | None = None
        self.refused: list[str] = []
        """DATE-OBS of the frames that it did not take."""

    def fills(self, frames: int) -> None:
        """From now on there is room for so many frames."""
        self._most = self._written + frames

    def refuses(self, frames: int) -> None:
        """Have the next frames not come to the disk."""
        self._refusals = frames

    async def __call__(self, function: Callable[[*Ts], T], *arguments: *Ts) -> T:
        writes = function is cast(object, write_frame)
        if writes and self._refusals:
            self._refusals -= 1
            path, _, header = cast(tuple[Path, object, fits.Header], arguments)
            self.refused.append(str(header["DATE-OBS"]))
            raise FrameNotWritten(path, "Input/output error")
        result = await self._store(function, *arguments)
        if writes:
            self._written += 1
            _, pixels, *_ = cast(tuple[object, ...], arguments)
            self._frame_bytes = max(cast(Pixels, pixels).nbytes, BLOCK_BYTES)
        if self._most is not None and function is cast(object, free_bytes):
            left = max(0, self._most - self._written)
            return cast(T, RESERVED_BYTES + left * self._frame_bytes)
        return result


@dataclass(frozen=True)
class Scene:
    """What trouble is done to."""

    rig: SimulatedRig
    faults: Faults
    clock: Clock
    dark: Interval
    disk: TroubledDisk
    ledger: Path
    daemon: Lives

    async def until(self, at_s: float) -> None:
        """Wait for a moment in Unix seconds."""
        await asyncio.sleep(max(0.0, at_s - self.clock.unix_s()))

    async def ails(self, device: str, minutes: float) -> None:
        """Have a device's fault last for so long."""
        await asyncio.sleep(minutes * MINUTE_S)
        self.faults.heal(device)


@dataclass(frozen=True)
class Trouble:
    """One of them: its name, what goes wrong, in a few words, and how it is done."""

    name: str
    words: str
    bring: Callable[[Scene], Awaitable[None]]
    at_dusk: bool = False
    """Whether it is there when the rig is made ready; otherwise it comes in the dark hours."""
    needs_frames: bool = False

    def comes_s(self, dark: Interval, ready_s: float, seed: int) -> float:
        """Its moment in Unix seconds, by the seed."""
        if self.at_dusk:
            return ready_s
        chance = np.random.default_rng([seed, NAMES.index(self.name)])
        return dark.start_unix_s + dark.duration_s * float(chance.uniform(EARLIEST, LATEST))


@dataclass(frozen=True)
class Coming:
    """A trouble and its moment, in Unix seconds."""

    trouble: Trouble
    at_s: float


async def bring_all(comings: Sequence[Coming], scene: Scene) -> None:
    """Have all of them come at their moments."""

    async def one(coming: Coming) -> None:
        await scene.until(coming.at_s)
        await coming.trouble.bring(scene)

    async with asyncio.TaskGroup() as group:
        for coming in comings:
            group.create_task(one(coming))


# Server and link ----------------------------------------------------------------------------------


async def _server_gone(scene: Scene) -> None:
    await scene.faults.server_gone(2.0 * MINUTE_S)


async def _network_gone(scene: Scene) -> None:
    await scene.faults.server_gone(0.5 * MINUTE_S, reborn=False)


async def _daemon_killed(scene: Scene) -> None:
    await scene.daemon.kill(DOWN_S)


async def _clock_ahead(scene: Scene) -> None:
    scene.rig.world.clock_off_s = SET_WRONG_S


async def _clock_back(scene: Scene) -> None:
    scene.rig.world.clock_off_s = -SET_WRONG_S


async def _power_cut(scene: Scene) -> None:
    async with asyncio.TaskGroup() as group:
        group.create_task(scene.daemon.kill(POWER_BACK_S + DOWN_S))
        group.create_task(scene.faults.server_gone(POWER_BACK_S))


# Cameras ------------------------------------------------------------------------------------------


async def _camera_deaf(scene: Scene) -> None:
    scene.faults.deaf(CAMERA)
    await scene.ails(CAMERA, 3.0)


async def _camera_late(scene: Scene) -> None:
    scene.faults.late(CAMERA, "CCD_EXPOSURE", 3.0)
    await scene.ails(CAMERA, 20.0)


async def _frame_lost(scene: Scene) -> None:
    scene.faults.frame_lost()
    await scene.ails(CAMERA, 20.0)


async def _guide_frames_lost(scene: Scene) -> None:
    scene.faults.frame_lost(3, GUIDE_CAMERA)
    await scene.ails(GUIDE_CAMERA, 5.0)


async def _guide_camera_deaf(scene: Scene) -> None:
    scene.faults.deaf(GUIDE_CAMERA)
    await scene.ails(GUIDE_CAMERA, 2.0)


async def _camera_dead(scene: Scene) -> None:
    scene.faults.dead(CAMERA)


async def _camera_hangs(scene: Scene) -> None:
    scene.faults.never_ends()


async def _camera_taken(scene: Scene) -> None:
    scene.faults.camera_exposing()


async def _cooler_weak(scene: Scene) -> None:
    scene.faults.cooler_weak(15.0)


async def _guide_camera_dead(scene: Scene) -> None:
    scene.faults.dead(GUIDE_CAMERA)


async def _guide_camera_restarts(scene: Scene) -> None:
    scene.faults.reborn(GUIDE_CAMERA)


# Wheel and focuser --------------------------------------------------------------------------------


async def _wheel_stuck(scene: Scene) -> None:
    scene.faults.refuses(WHEEL, "FILTER_SLOT")
    await scene.ails(WHEEL, 5.0)


async def _focuser_stuck(scene: Scene) -> None:
    scene.faults.refuses(FOCUSER, "ABS_FOCUS_POSITION")
    await scene.ails(FOCUSER, 5.0)


async def _wheel_late(scene: Scene) -> None:
    scene.faults.late(WHEEL, "FILTER_SLOT", 6.0)
    await scene.ails(WHEEL, 20.0)


async def _wheel_restarts(scene: Scene) -> None:
    scene.faults.reborn(WHEEL)


async def _focuser_late(scene: Scene) -> None:
    scene.faults.late(FOCUSER, "ABS_FOCUS_POSITION", 6.0)
    await scene.ails(FOCUSER, 20.0)


async def _focuser_restarts(scene: Scene) -> None:
    scene.faults.reborn(FOCUSER)


async def _focuser_unreadable(scene: Scene) -> None:
    scene.faults.not_a_number(FOCUSER)
    await scene.ails(FOCUSER, 1.0)


# Mount --------------------------------------------------------------------------------------------


async def _mount_late(scene: Scene) -> None:
    scene.faults.late(MOUNT, "EQUATORIAL_EOD_COORD", 20.0)
    await scene.until(scene.dark.start_unix_s)
    scene.faults.heal(MOUNT)


async def _mount_restarts(scene: Scene) -> None:
    scene.faults.reborn(MOUNT)


async def _mount_unreadable(scene: Scene) -> None:
    scene.faults.not_a_number(MOUNT)
    await scene.ails(MOUNT, 1.0)


async def _mount_deaf(scene: Scene) -> None:
    scene.faults.deaf(MOUNT)
    await scene.ails(MOUNT, 1.0)


async def _pulses_refused(scene: Scene) -> None:
    scene.faults.refuses(MOUNT, "TELESCOPE_TIMED_GUIDE*", 3)
    await scene.ails(MOUNT, 2.0)


async def _park_sticks(scene: Scene) -> None:
    scene.faults.park_sticks(1)


async def _wind(scene: Scene) -> None:
    ways: tuple[Literal["east", "north", "west", "south"], ...] = ("east", "north", "west", "south")
    for way in ways:
        scene.rig.world.mount.pulse(scene.clock.unix_s(), way, 400.0)
        await asyncio.sleep(1.0)


# Roof and cap -------------------------------------------------------------------------------------


async def _roof_stuck_opening(scene: Scene) -> None:
    scene.faults.roof_sticks()
    await scene.until(scene.dark.start_unix_s)
    scene.faults.heal(ROOF)


async def _roof_stuck_closing(scene: Scene) -> None:
    scene.faults.roof_sticks()
    await scene.until(scene.dark.end_unix_s + 10.0 * MINUTE_S)
    scene.faults.heal(ROOF)


async def _roof_restarts(scene: Scene) -> None:
    scene.faults.reborn(ROOF, says_closed=True)


async def _roof_deaf(scene: Scene) -> None:
    scene.faults.deaf(ROOF)
    await scene.ails(ROOF, 0.5)


async def _cap_stuck(scene: Scene) -> None:
    scene.faults.cap_sticks()


# Weather ------------------------------------------------------------------------------------------


async def _rain(scene: Scene) -> None:
    scene.faults.rain(for_s=10.0 * MINUTE_S)


async def _cloud(scene: Scene) -> None:
    scene.faults.cloud(for_s=10.0 * MINUTE_S)


async def _station_dead(scene: Scene) -> None:
    scene.faults.station_gone()


async def _station_silent(scene: Scene) -> None:
    scene.faults.station_silent()
    await scene.ails(STATION, 10.0)


async def _station_restarts(scene: Scene) -> None:
    scene.faults.reborn(STATION)


async def _station_frozen(scene: Scene) -> None:
    scene.faults.station_frozen()


# Where things are kept ----------------------------------------------------------------------------


async def _disk_full(scene: Scene) -> None:
    scene.disk.fills(ROOM_FRAMES)


async def _fsync_fails(scene: Scene) -> None:
    scene.disk.refuses(2)


async def _ledger_locked(scene: Scene) -> None:
    with closing(sqlite3.connect(scene.ledger, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        await asyncio.sleep(MINUTE_S)


TROUBLES = (
    Trouble("server-gone", "the INDI server and its drivers are gone for 2 min", _server_gone),
    Trouble("network-gone", "nothing comes through for 30 s", _network_gone),
    Trouble("daemon-killed", "the daemon is killed, and started again after 10 s", _daemon_killed),
    Trouble("power-cut", "there is no power for 1 min; then all starts anew", _power_cut),
    Trouble("clock-ahead", "the computer's clock is set 5 min ahead", _clock_ahead),
    Trouble("clock-back", "the computer's clock is set 5 min back", _clock_back),
    Trouble("camera-dead", "the camera's driver is gone for good", _camera_dead),
    Trouble("camera-hangs", "an exposure never ends", _camera_hangs),
    Trouble("camera-taken", "somebody else is exposing at dusk", _camera_taken, at_dusk=True),
    Trouble("camera-deaf", "the camera answers nothing for 3 min", _camera_deaf),
    Trouble("camera-late", "exposures begin 3 s late for 20 min", _camera_late),
    Trouble("frame-lost", "a frame never arrives", _frame_lost),
    Trouble("cooler-weak", "the cooler does not reach its set point", _cooler_weak, at_dusk=True),
    Trouble("guide-camera-dead", "the guide camera's driver is gone", _guide_camera_dead),
    Trouble("guide-camera-restarts", "its driver starts anew", _guide_camera_restarts),
    Trouble("guide-camera-deaf", "it answers nothing for 2 min", _guide_camera_deaf),
    Trouble("guide-frames-lost", "three of its frames never arrive", _guide_frames_lost),
    Trouble("wheel-late", "the wheel turns 6 s late for 20 min", _wheel_late),
    Trouble("wheel-restarts", "the wheel's driver starts anew", _wheel_restarts),
    Trouble("wheel-stuck", "the filter wheel refuses to turn for 5 min", _wheel_stuck),
    Trouble("focuser-stuck", "the focuser refuses to move for 5 min", _focuser_stuck),
    Trouble("focuser-late", "the focuser moves 6 s late for 20 min", _focuser_late),
    Trouble("focuser-restarts", "the focuser's driver starts anew", _focuser_restarts),
    Trouble("focuser-unreadable", "it reads no number for 1 min", _focuser_unreadable),
    Trouble("mount-late", "slews begin 20 s late until dark", _mount_late, at_dusk=True),
    Trouble("mount-deaf", "the mount answers nothing for 1 min", _mount_deaf),
    Trouble("pulses-refused", "the mount refuses three guide pulses", _pulses_refused),
    Trouble("mount-restarts", "the mount's driver starts anew", _mount_restarts),
    Trouble("mount-unreadable", "the mount reads no place for 1 min", _mount_unreadable),
    Trouble("park-sticks", "the first parking never ends", _park_sticks),
    Trouble("wind", "gusts knock the telescope about for 4 s", _wind),
    Trouble("roof-deaf", "the roof answers nothing for 30 s", _roof_deaf),
    Trouble("roof-restarts", "its driver starts anew and says closed", _roof_restarts),
    Trouble(
        "roof-stuck-opening", "the roof stops half way until dark", _roof_stuck_opening,
        at_dusk=True,
    ),
    Trouble("roof-stuck-closing", "the roof stops half way at the end", _roof_stuck_closing),
    Trouble("cap-stuck", "the dust cap stops half way at the end", _cap_stuck),
    Trouble("rain", "it rains for 10 min", _rain),
    Trouble("cloud", "a bank of cloud passes in 10 min", _cloud),
    Trouble("station-dead", "the weather station's driver is gone for good", _station_dead),
    Trouble("station-restarts", "the weather station's driver starts anew", _station_restarts),
    Trouble("station-silent", "the weather station says nothing for 10 min", _station_silent),
    Trouble("station-frozen", "it repeats old values from then on", _station_frozen),
    Trouble("disk-full", "the disk has room for 3 more frames", _disk_full, needs_frames=True),
    Trouble("fsync-fails", "two frames do not come to the disk", _fsync_fails, needs_frames=True),
    Trouble("ledger-locked", "another process holds the ledger for 1 min", _ledger_locked),
)  # fmt: skip
"""Every trouble, by its name."""

NAMES = tuple(trouble.name for trouble in TROUBLES)
