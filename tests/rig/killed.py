"""A daemon that is killed at random moments, and started anew each time, in one long night.

The rig is ours, judged by its observer, or INDI's C++ simulators. What each death left on disk and
in the ledger is noted, and held against what there is later: nothing may be lost of it, and nothing
be there twice.
"""

import asyncio
import contextlib
import hashlib
import multiprocessing
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
from astropy.io import fits

from nightloom.ledger import FILE_NAME, Frame, GuideCalibration, Ledger, Stage
from nightloom.rehearsal.observer import Finding, audit
from nightloom.rehearsal.observer.rules import FRAMES_KEPT, NOTHING_HALF_DONE
from nightloom.rehearsal.witness import Witness
from nightloom.settings import demo_folder, read_settings
from nightloom.sky import night_of
from nightloom_drivers.clock import WallClock, real_monotonic_s
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.serve import Options
from rig.daemon import Daemon, Line, running
from rig.observatory import (
    LATITUDE_DEG,
    TIME_FACTOR,
    Place,
    calibrated,
    configure,
    midnight,
    park_near,
    simulators,
)
from rig.test_safe_start import by_day
from servers import free_port
from tap import Heard, Tap, tapped

READY_S_MAX, SAFE_S_MAX, GONE_S_MAX = 180.0, 120.0, 20.0
BACK_S_MAX = 15.0
"""A life is back in its phase so soon, acquiring apart."""

MOVES = frozenset(
    {
        *("TELESCOPE_PARK", "EQUATORIAL_EOD_COORD", "TELESCOPE_TRACK_STATE", "DOME_SHUTTER"),
        *("TELESCOPE_TIMED_GUIDE_NS", "TELESCOPE_TIMED_GUIDE_WE", "TELESCOPE_ABORT_MOTION"),
        *("DOME_PARK", "ABS_FOCUS_POSITION", "FILTER_SLOT", "CAP_PARK"),
    }
)
"""What moves a device, of those that either rig has."""


@dataclass(frozen=True)
class Stand:
    """A rig that is ready for a daemon, and who looks on."""

    config: Path
    output: Path
    tap: Tap
    devices: frozenset[str]
    sub_s: float
    """How long the shutter is open, in real seconds."""
    judged: Callable[[list[float]], list[Finding]]
    """What the observer found, of a rig that has one, given when the daemon was killed."""


@dataclass(frozen=True)
class Kept:
    """What a death left: the ledger's frames, those said stored, and the whole files on disk."""

    frames: frozenset[tuple[str, str]]
    stored: frozenset[str]
    files: frozenset[str]


@dataclass
class Campaign:
    """What came of it."""

    deaths: list[str] = field(default_factory=list)
    """The phase of each death; empty before there was one."""
    killed_s: list[float] = field(default_factory=list)
    back_s: list[float] = field(default_factory=list)
    """From each start anew to the next sub, acquiring apart."""
    acquiring_s: list[float] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    frames: int = 0
    next_night: str = ""
    """The one that was waited for by day."""


def campaign(
    stand: Stand, kills: int, seed: int, told: Callable[[str], None] = lambda _: None
) -> Campaign:
    """Kill so often, then let the night go on, then start by day; what was wrong is said."""
    chance, came = np.random.default_rng(seed), Campaign()
    left: list[Kept] = []
    for number in range(kills + 1):
        with running(stand.config) as daemon:
            began_s = WallClock().unix_s()
            early = bool(chance.random() < 0.3) and 0 < number < kills
            if early:
                _rest(float(chance.uniform(0.0, 30.0)))
            else:
                daemon.until(lambda d: bool(d.of("sub_begun")), READY_S_MAX)
                if number:
                    _time_back(daemon, began_s, came)
                _rest(float(chance.uniform(0.0, 3.0 * (stand.sub_s + 2.0))))
            if number == kills:
                daemon.until(lambda d: len(d.of("frame_accepted")) >= 2, READY_S_MAX)
                came.killed_s.append(WallClock().unix_s())  # as the block ends, to start by day
                break
            _kill(daemon, came)
            left.append(_kept(stand.output))
            if not early:
                _compare(left, _kept(stand.output), came)
            told(f"kill {number + 1}: in {came.deaths[-1] or 'starting'}; {_last(came)}")
    _by_day(stand, came)
    _last_look(stand, left, came)
    for heard in stand.tap.connections:
        _look_first(heard, stand.devices, came)
    found = stand.judged(came.killed_s)
    came.wrong += [str(one) for one in found if not _comes_yet(one, came.next_night)]
    return came


def _last(came: Campaign) -> str:
    back = f"back after {came.back_s[-1]:.1f} s" if came.back_s else "never back yet"
    return f"{back}; {len(came.wrong)} wrong"


def _rest(seconds: float) -> None:
    threading.Event().wait(seconds)


def _kill(daemon: Daemon, came: Campaign) -> None:
    phases = daemon.of("phase_changed")
    came.deaths.append(phases[-1]["after"] if phases else "")
    daemon.signal(signal.SIGKILL)
    came.killed_s.append(WallClock().unix_s())
    daemon.ended(GONE_S_MAX)
    wrong = [*daemon.of("unexpected_error", "frame_lost"), *daemon.other]
    came.wrong += [f"said in life {len(came.deaths)}: {one}" for one in wrong]


def _utc_s(line: Line) -> float:
    return datetime.fromisoformat(line["utc"]).timestamp()


def _time_back(daemon: Daemon, began_s: float, came: Campaign) -> None:
    """How long from the start to the first sub, and how much of it went by acquiring."""
    first_s = _utc_s(daemon.of("sub_begun")[0])
    moves = [one for one in daemon.of("phase_changed") if _utc_s(one) <= first_s]
    ends_s = [*(_utc_s(one) for one in moves[1:]), first_s]
    acquiring_s = sum(
        end_s - _utc_s(one)
        for one, end_s in zip(moves, ends_s, strict=True)
        if one["after"] == "acquiring"
    )
    came.acquiring_s.append(acquiring_s)
    came.back_s.append(first_s - began_s - acquiring_s)


def _kept(output: Path) -> Kept:
    frames = output / "frames"
    whole = frozenset(str(one.relative_to(frames)) for one in frames.rglob("*.fits"))
    if not (output / FILE_NAME).exists():
        return Kept(frozenset(), frozenset(), whole)
    with Ledger.read(output / FILE_NAME) as ledger:
        stored = frozenset(one.uid for one in ledger.in_flight() if one.stage is Stage.STORED)
        return Kept(frozenset((f.uid, f.path) for f in ledger.frames()), stored, whole)


def _compare(left: list[Kept], now: Kept, came: Campaign) -> None:
    """Nothing that an earlier death left may be missing, once a life has come to its subs."""
    known = {uid for uid, _ in now.frames}
    paths = {path for _, path in now.frames}
    for then in left[:-1]:
        came.wrong += [f"{uid} was entered and is not" for uid, _ in then.frames - now.frames]
        came.wrong += [f"{uid} was stored and is not entered" for uid in then.stored - known]
        came.wrong += [f"{path} was whole and is not entered" for path in then.files - paths]
    del left[:-1]


def _by_day(stand: Stand, came: Campaign) -> None:
    """Killed in the night and started by day, it parks and closes, and waits for dusk."""
    by_day(stand.config)
    with running(stand.config) as daemon:
        daemon.until(lambda d: bool(d.of("night_armed")), SAFE_S_MAX)
        came.next_night = str(daemon.of("night_armed")[-1]["night"])
        daemon.interrupt()
        status = daemon.ended(SAFE_S_MAX)
    if status or daemon.of("unexpected_error", "sub_begun"):
        came.wrong.append(f"by day: status {status}, {daemon.story()}")


def _comes_yet(finding: Finding, next_night: str) -> bool:
    """The record of a night stays open for the one to come: half a turn of the Earth away that may
    have the same date.
    """
    return (
        finding.rule is NOTHING_HALF_DONE and f'night {{"night": "{next_night}"}}' in finding.seen
    )


def _last_look(stand: Stand, left: list[Kept], came: Campaign) -> None:
    """Each frame in the ledger is on disk as it says, and no frame is there twice."""
    left.append(_kept(stand.output))
    _compare(left, left[-1], came)
    with Ledger.read(stand.output / FILE_NAME) as ledger:
        frames = ledger.frames()
        came.wrong += [f"left in flight: {one.uid} {one.stage}" for one in ledger.in_flight()]
    folder = stand.output / "frames"
    there = {one for one in folder.rglob("*") if one.is_file()}
    strays = there - {folder / frame.path for frame in frames}
    came.wrong += [f"{one.name} is on disk and not in the ledger" for one in sorted(strays)]
    seen: dict[str, str] = {}
    for frame in frames:
        came.wrong += _file_wrong(folder, frame, seen)
    came.frames = len(frames)


def _file_wrong(folder: Path, frame: Frame, seen: dict[str, str]) -> Iterator[str]:
    path = folder / frame.path
    if not frame.path or not path.is_file():
        yield f"{frame.uid} is not on disk"
        return
    if hashlib.sha256(path.read_bytes()).hexdigest() != frame.sha256:
        yield f"{frame.uid} is not the file of its hash"
    with fits.open(path) as opened:
        content = hashlib.sha256(opened[0].data.tobytes()).hexdigest()
    if (other := seen.setdefault(content, frame.uid)) != frame.uid:
        yield f"{frame.uid} is the frame of {other}"


def _look_first(heard: Heard, devices: frozenset[str], came: Campaign) -> None:
    known = heard.known_before(MOVES)
    if known is not None and not devices <= known:
        came.wrong.append(f"something moved before {devices - known} had told of itself")


# Our rig ---------------------------------------------------------------------------------------

OUR_SUB_S = 4.0
OUR_FOCAL_LENGTH_MM, OUR_APERTURE_MM, OUR_PIXEL_UM = 300.0, 75.0, 5.2
"""A field of 38′ × 29′, with stars of the catalogue enough to be solved wherever midnight is."""
OURS = frozenset({"Rig Mount", "Rig Roof"})
"""What has told of itself before anything moves, by day and by night."""


@contextlib.contextmanager
def our_rig(folder: Path) -> Iterator[Stand]:
    """The simulated rig with quick motors, in a process of its own with its observer."""
    config, output, place = folder / "config", folder / "out", midnight()
    port, settings = free_port(), _our_rig(place)
    with tapped(port) as tap:
        _configure_ours(config, output, tap.port, place)
        _calibrated_ours(output, place, settings)
        said = read_settings(config)
        night = night_of(WallClock().unix_s(), said.observatory.site.place)
        with Witness(said) as witness:
            now_s, origin_s = WallClock().unix_s(), real_monotonic_s()
            server = multiprocessing.get_context("spawn").Process(
                target=witness.serve,
                args=(Options(settings, 1, 1.0, now_s, origin_s, ()), ("127.0.0.1", port)),
                daemon=True,
            )
            server.start()
            _listens(port)

            def judged(killed_s: list[float]) -> list[Finding]:
                found, subs, shots = asyncio.run(witness.told())
                files = output / FILE_NAME, output / "frames"
                bias_adu = settings.sensor.bias_adu
                records = audit(said, night, subs, *files, shots, bias_adu).findings
                return [one for one in [*found, *records] if not _excused(one, killed_s)]

            try:
                yield Stand(config, output, tap, OURS, OUR_SUB_S, judged)
            finally:
                server.terminate()
                server.join()


def _listens(port: int) -> None:
    """Wait until a server does."""
    for _ in range(int(READY_S_MAX / 0.1)):
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)):
            return
        _rest(0.1)
    raise AssertionError("the simulated rig does not listen")


def _excused(finding: Finding, killed_s: list[float]) -> bool:
    """A frame that came down while nobody was there, or had not come to disk, is not kept."""
    begun_s = finding.utc.timestamp()
    return (
        finding.rule is FRAMES_KEPT
        and "left the camera and is not in the ledger" in finding.seen
        and any(0.0 <= at_s - begun_s <= OUR_SUB_S + IN_TRANSIT_S for at_s in killed_s)
    )


IN_TRANSIT_S = 5.0
"""From the closing of the shutter to the frame's name on disk, on a busy machine."""


def _our_rig(place: Place) -> RigSettings:
    told = RigSettings().model_dump()
    told["site"] = {"latitude_deg": LATITUDE_DEG, "longitude_deg": place.longitude_deg}
    told["optics"] |= {"focal_length_mm": OUR_FOCAL_LENGTH_MM, "aperture_mm": OUR_APERTURE_MM}
    told["sensor"] |= {"width_px": 640, "height_px": 480, "pixel_um": OUR_PIXEL_UM}
    told["sensor"]["download_s"] = 0.3
    told["mount"] |= {"slew_deg_per_s": 60.0, "settle_s": 0.2}
    told["enclosure"] |= {"roof_travel_s": 2.0, "cap_travel_s": 1.0}
    told["wheel"] |= {"travel_s_per_slot": 0.1}
    told["cooler"] |= {"ramp_c_per_min": 600.0}
    told["weather"] |= {"dew_point_c": -9.0}
    return RigSettings.model_validate(told)


def _configure_ours(config: Path, output: Path, port: int, place: Place) -> None:
    """The demo observatory at the place where it is midnight, with quick motors."""
    config.mkdir()
    changed = {
        "output_folder": f'"{output}"',
        "latitude_deg": str(LATITUDE_DEG),
        "longitude_deg": f"{place.longitude_deg:.4f}",
        "time_zone": '"UTC"',
        "port": str(port),
        "target_temperature_c": "4.0",
        "cooling_ramp_c_per_min": "20.0",
        "exposure_s": "1.0",
        "slew_settle_s": "0.5",
    }
    lines = (demo_folder() / "observatory.toml").read_text().splitlines()
    told = [line.partition(" = ") for line in lines]
    text = "\n".join(f"{key}{equals}{changed.get(key, value)}" for key, equals, value in told)
    for old, new in (
        ("focal_length_mm = 530.0", f"focal_length_mm = {OUR_FOCAL_LENGTH_MM}"),
        ("aperture_mm = 106.0", f"aperture_mm = {OUR_APERTURE_MM}"),
        ("pixel_um = 3.76", f"pixel_um = {OUR_PIXEL_UM}"),
    ):
        text = text.replace(old, new)
    (config / "observatory.toml").write_text(text + "\n")
    (config / "targets.toml").write_text(
        f'[[target]]\nname = "Full Field"\nra_deg = {place.ra_deg:.5f}\ndec_deg = {place.dec_deg}\n'
        + "".join(
            f"[target.filter.{name}]\nexposure_s = {OUR_SUB_S}\nwanted_hours = 20.0\n"
            for name in "LRG"
        )
    )
    (config / "policies.toml").write_text("""
[focus]
points = 7
exposure_s = 1.0
[guiding]
rest_within_arcsec = 2.5
rest_for_s = 1.0
[weather]
wait_safe_s = 1.0
[acquire]
tolerance_arcsec = 60.0
exposure_s = 3.0
[remote]
port = 0
[warm]
ramp_c_per_min = 20.0
until_c = 0.0
""")


def _calibrated_ours(output: Path, place: Place, rig: RigSettings) -> None:
    """Have the ledger know from an earlier night how guide pulses move the stars."""
    guide = rig.guide
    scale = 206.265 * guide.sensor.pixel_um / guide.optics.focal_length_mm
    rate_px_per_s = 15.041 * rig.mount.guide_rate_sidereal / scale
    with Ledger(output / FILE_NAME) as ledger:
        ledger.add_calibration(
            GuideCalibration(
                measured_utc=WallClock().now(),
                pier_side="west",
                scale_arcsec_per_px=scale,
                declination_deg=place.dec_deg,
                ra_angle_deg=-guide.angle_deg,
                dec_angle_deg=90.0 - guide.angle_deg,
                ra_rate_px_per_s=rate_px_per_s,
                dec_rate_px_per_s=rate_px_per_s,
                backlash_s=0.2,
                north_is_south=False,
            )
        )


# The C++ simulators ----------------------------------------------------------------------------

CPP_SUB_S = 60.0
CPP = frozenset({"Telescope Simulator", "Dome Simulator"})


@contextlib.contextmanager
def cpp_rig(folder: Path) -> Iterator[Stand]:
    """INDI's own simulators under its server; nobody observes them."""
    config, output = folder / "config", folder / "out"
    with simulators(folder / "home") as server, tapped(server.port) as tap:
        place = configure(config, output, tap.port, cycles=3000, sub_s=CPP_SUB_S, start_steps=37500)
        park_near(server, place)
        calibrated(output, place)
        yield Stand(config, output, tap, CPP, CPP_SUB_S * TIME_FACTOR, lambda _: [])
