"""The guide loop as a task that somebody owns: how it ends, and who hears of it."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from night.nights import demo
from nightloom.executor import InLine
from nightloom.guiding.guiding import Guiding
from nightloom.guiding.readings import NotGuiding, Reading
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.rig import Rig, assemble, safety_devices, simulated_rig
from nightloom.safety import Acts, Guard, SafetyDevices
from nightloom.sky import sidereal_deg
from nightloom.telemetry import Event, Log
from nightloom.telemetry.events import (
    GuidingCalibrated,
    GuidingDoubted,
    StarsHeld,
    StarsReleased,
)
from nightloom_drivers.clock import Clock, LoopClock, SteadyClock
from nightloom_drivers.devices import Device, GuidePort
from nightloom_drivers.devices.guide_port import GuidePortSettings
from nightloom_drivers.errors import DeviceError
from nightloom_drivers.link import Link, LoopbackLink
from nightloom_drivers.rig_settings import MountSettings
from nightloom_drivers.simulators.rig import build_rig
from nightloom_drivers.virtual_loop import run_virtual

EVENING_S = 1794338000.0
"""2026-11-10, an hour into the dark of the demo observatory."""

SOON_S = 60.0
"""Longer than any device of the rig may take to be missed."""


class NotedPort(GuidePort):
    """A guide port that notes what it was asked for."""

    def __init__(self, link: Link, device: str, settings: GuidePortSettings, clock: Clock) -> None:
        super().__init__(link, device, settings, clock)
        self.west_ms: list[float] = []

    async def pulse(self, west_ms: float = 0.0, north_ms: float = 0.0) -> None:
        self.west_ms.append(west_ms)
        await super().pulse(west_ms, north_ms)


@dataclass(frozen=True)
class Held:
    """Stars held by a loop on the simulated rig, and what the log heard."""

    guiding: Guiding
    rig: Rig
    safety: SafetyDevices
    link: LoopbackLink
    heard: list[Event]
    ledger: Ledger
    port: NotedPort

    async def start(self) -> None:
        mount = self.safety.mount
        await self.guiding.start(mount.position.dec_deg, mount.pier_side)

    def kill(self, device: Device) -> None:
        """Let the driver of a device start again, as a server does after its death."""
        _, rig = demo()
        fresh = build_rig(rig, LoopClock(EVENING_S), 7).simulators
        self.link.replace(next(one for one in fresh if one.device == device.device))


def hold(
    out: Path, story: Callable[[Held], Awaitable[None]], mount_settings: MountSettings | None = None
) -> None:
    """Tell a story of a loop that holds stars, in a group of its own, on virtual time."""

    async def evening() -> None:
        settings, simulated = demo(rig={"mount": mount_settings} if mount_settings else None)
        clock, heard = LoopClock(EVENING_S), list[Event]()
        log = Log(clock)
        with Ledger(out / FILE_NAME) as ledger, log.listen(lambda _, event: heard.append(event)):
            async with simulated_rig(simulated, clock, 7).link as link:
                assert isinstance(link, LoopbackLink)
                rig = assemble(link, settings.observatory, clock)
                await rig.connect(10.0)
                safety = safety_devices(link, settings.observatory, clock)
                mount, roof = safety.mount, safety.roof
                assert roof is not None
                assert rig.dust_cap is not None
                await mount.connect()
                await roof.connect()
                await roof.open()
                await rig.dust_cap.open()
                await mount.unpark()
                longitude_deg = settings.observatory.site.longitude_deg
                sidereal_h = float(sidereal_deg(clock.unix_s(), longitude_deg)) / 15.0
                await mount.slew((sidereal_h - 2.0) % 24.0, 30.0)
                guard = Guard(settings, safety, Acts(None, clock), SteadyClock(clock), log)
                camera, told = rig.guide_camera, rig.guide_port
                port = NotedPort(link, told.device, told.settings, clock)
                guiding = Guiding(camera, port, guard, settings, ledger, InLine(), clock, log)
                async with asyncio.TaskGroup() as group:
                    guiding.begin(group)
                    held = Held(guiding, rig, safety, link, heard, ledger, port)
                    await held.start()
                    await guiding.settle()
                    await story(held)
                    await guiding.stop("the story is over")

    run_virtual(evening())


async def refuses(answer: Awaitable[object], error: type[Exception]) -> BaseException:
    """What is raised, and that it comes soon."""
    with pytest.raises(error) as seen:
        async with asyncio.timeout(SOON_S):
            await answer
    assert not isinstance(seen.value, TimeoutError)
    return seen.value


def test_a_loop_that_died_unawaited_is_told_to_all_who_ask_later(tmp_path: Path) -> None:
    async def story(held: Held) -> None:
        held.kill(held.rig.guide_camera)
        await asyncio.sleep(SOON_S)
        assert not held.guiding.running
        why = await refuses(held.guiding.readings.next(), DeviceError)
        assert await refuses(held.guiding.settle(), DeviceError) is why
        assert await refuses(held.guiding.lead(3.0, 3.0), DeviceError) is why
        assert await refuses(held.guiding.watch(), DeviceError) is why

    hold(tmp_path, story)


def test_a_driver_that_starts_again_during_a_dither_is_told_to_who_settles(tmp_path: Path) -> None:
    async def story(held: Held) -> None:
        leading = asyncio.create_task(held.guiding.lead(40.0, 40.0))
        await asyncio.sleep(0.5)
        held.kill(held.safety.mount)
        await asyncio.wait({leading})
        await asyncio.sleep(SOON_S)
        await refuses(held.guiding.settle(), DeviceError)

    hold(tmp_path, story)


def test_a_death_ends_what_waits_and_nothing_else_in_the_group(tmp_path: Path) -> None:
    async def story(held: Held) -> None:
        async with asyncio.TaskGroup() as group:
            waits = [
                group.create_task(refuses(work, DeviceError))
                for work in (
                    held.guiding.readings.next(),
                    held.guiding.settle(),
                    held.guiding.watch(),
                )
            ]
            await asyncio.sleep(0.0)
            held.kill(held.rig.guide_camera)
        assert len({id(wait.result()) for wait in waits}) == 1
        await asyncio.sleep(SOON_S)  # the group goes on, and so does this

    hold(tmp_path, story)


def test_who_waits_when_the_stars_are_let_go_is_told_at_once(tmp_path: Path) -> None:
    async def story(held: Held) -> None:
        async with asyncio.TaskGroup() as group:
            for work in (held.guiding.readings.next(), held.guiding.settle()):
                group.create_task(refuses(work, NotGuiding))
            await asyncio.sleep(0.0)
            await held.guiding.stop("enough")
        await refuses(held.guiding.readings.next(), NotGuiding)
        await refuses(held.guiding.lead(3.0, 3.0), NotGuiding)

    hold(tmp_path, story)


def test_a_watch_outlasts_stops_and_starts_and_sees_the_next_death(tmp_path: Path) -> None:
    async def story(held: Held) -> None:
        watch = asyncio.create_task(held.guiding.watch())
        await held.guiding.stop("enough")
        await asyncio.sleep(3600.0)
        await held.start()
        await held.guiding.settle()
        assert not watch.done()
        held.kill(held.rig.guide_camera)
        await refuses(watch, DeviceError)

    hold(tmp_path, story)


def test_a_loop_that_died_is_started_afresh(tmp_path: Path) -> None:
    async def story(held: Held) -> None:
        held.link.disconnect()
        await refuses(held.guiding.watch(), DeviceError)
        held.link.reconnect()
        await held.rig.connect(10.0)
        await held.guiding.stop("it had died")
        await held.start()
        async with asyncio.timeout(SOON_S):
            assert (await held.guiding.readings.next()).held > 0
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(SOON_S):
                await held.guiding.watch()

    hold(tmp_path, story)


def test_stopping_lets_the_cancellation_of_its_caller_through(tmp_path: Path) -> None:
    async def story(held: Held) -> None:
        after = list[str]()

        async def shut() -> None:
            await held.guiding.stop("enough")
            after.append("this ran though it was cancelled")

        shutting = asyncio.create_task(shut())
        await asyncio.sleep(0.0)  # it waits for the loop's end, which has an exposure to abort
        shutting.cancel()
        await asyncio.wait({shutting})
        assert shutting.cancelled()
        assert after == []
        await held.guiding.stop("enough")
        await held.guiding.stop("enough")
        assert not held.guiding.running
        stops = [event for event in held.heard if isinstance(event, StarsReleased)]
        starts = [event for event in held.heard if isinstance(event, StarsHeld)]
        assert (len(starts), len(stops)) == (1, 1)

    hold(tmp_path, story)


def test_the_end_of_the_group_ends_the_loop(tmp_path: Path) -> None:
    class Enough(Exception):
        pass

    guiding: list[Guiding] = []

    async def story(held: Held) -> None:
        guiding.append(held.guiding)
        raise Enough

    with pytest.raises(ExceptionGroup) as seen:
        hold(tmp_path, story)
    assert [type(error) for error in seen.value.exceptions] == [Enough]
    assert not guiding[0].running


def test_several_hear_each_reading_and_outlast_stops_and_starts(tmp_path: Path) -> None:
    async def story(held: Held) -> None:
        readings = held.guiding.readings
        first, second = list[Reading](), list[Reading]()
        readings.listen(first.append)
        readings.listen(second.append)
        waited = [await readings.next() for _ in range(3)]
        assert first == second == waited
        await held.guiding.stop("enough")
        await asyncio.sleep(SOON_S)
        assert len(first) == 3
        await held.start()
        waited.append(await readings.next())
        assert first == second == waited

    hold(tmp_path, story)


async def doubted(held: Held) -> None:
    """Guide by a calibration whose declination is the wrong way round until that is noticed."""
    (true,) = held.ledger.calibrations()
    held.ledger.add_calibration(replace(true, dec_angle_deg=true.dec_angle_deg + 180.0))
    await held.guiding.stop("another calibration")
    await held.start()
    async with asyncio.timeout(20 * SOON_S):
        while not any(isinstance(event, GuidingDoubted) for event in held.heard):
            await held.guiding.readings.next()


def calibrations(held: Held) -> int:
    return sum(isinstance(event, GuidingCalibrated) for event in held.heard)


def test_a_doubted_calibration_is_measured_anew_when_asked_for_and_not_before(
    tmp_path: Path,
) -> None:
    async def story(held: Held) -> None:
        await doubted(held)
        await asyncio.sleep(10 * SOON_S)
        assert calibrations(held) == 1
        await held.guiding.mend()
        assert calibrations(held) == 2
        await held.guiding.mend()
        assert calibrations(held) == 2

    hold(tmp_path, story)


def test_nobody_is_answered_who_does_not_wait_any_more(tmp_path: Path) -> None:
    """The gap was cut short: the stars stay where they are, and the doubt with them."""

    async def story(held: Held) -> None:
        await doubted(held)
        asking = asyncio.create_task(held.guiding.mend())
        await asyncio.sleep(0.0)
        asking.cancel()
        await asyncio.wait({asking})
        await asyncio.sleep(10 * SOON_S)
        assert calibrations(held) == 1
        await held.guiding.mend()
        assert calibrations(held) == 2

    hold(tmp_path, story)


@pytest.mark.parametrize("after_s", [0.0, 15.0])
def test_who_asked_is_told_when_the_loop_ends_before_it_answered(
    tmp_path: Path, after_s: float
) -> None:
    """Before the calibration has begun, and in its midst."""

    async def story(held: Held) -> None:
        await doubted(held)
        async with asyncio.TaskGroup() as group:
            group.create_task(refuses(held.guiding.mend(), NotGuiding))
            await asyncio.sleep(after_s)
            await held.guiding.stop("enough")
        await held.start()
        held.kill(held.rig.guide_camera)
        await refuses(held.guiding.readings.next(), DeviceError)

    hold(tmp_path, story)


@pytest.mark.parametrize(("rate_sidereal", "step_ms"), [(0.5, 1097), (0.9, 609)])
def test_the_calibration_steps_at_the_guide_rate_that_the_mount_reports(
    tmp_path: Path, rate_sidereal: float, step_ms: int
) -> None:
    """Two pixels of 4.8 µm behind 240 mm, 8.25″, at a part of 15.041″ a second; at 30° of
    declination a leg of 10 px and what the backlash asks for takes six such pulses or more.
    """

    async def story(held: Held) -> None:
        first = held.port.west_ms[:6]
        assert first == [pytest.approx(step_ms, abs=1)] * 6

    hold(tmp_path, story, MountSettings(guide_rate_sidereal=rate_sidereal))
