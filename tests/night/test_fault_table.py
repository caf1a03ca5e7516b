"""Faults by device, each in a night of its own: what the table says comes true, and nothing worse.

A night's faults are switches of the simulated rig. What became of it is judged by its observer, by
what was imaged after the fault, and by how the night ended.
"""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from night.nights import Story, demo, live
from night.troubles import DUSK_S
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.night import GIVEN_UP
from nightloom.rig import SimulatedRig
from nightloom.settings import Settings
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.link import State
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.simulators.faults import CONNECT, PARKED, Faults
from nightloom_drivers.simulators.rig import (
    CAMERA,
    DUST_CAP,
    FOCUSER,
    GUIDE_CAMERA,
    MOUNT,
    ROOF,
    STATION,
    WHEEL,
)

HOURS, SUB_S = 0.4, 120.0
DARK_S = DUSK_S + 45.0
"""A moment in the first subs of the night."""
OPENS_S, ACQUIRES_S = 1500.0, 2690.0
BEFORE_S = 0.0
"""Before anything was connected."""
MENDED_S = DUSK_S + 3600.0 * HOURS + 1800.0
"""A person comes after the night, so that it has an end."""

PULSES = "TELESCOPE_TIMED_GUIDE*"

Done = Callable[[Faults], Awaitable[None] | object]


@dataclass(frozen=True)
class Fault:
    """A fault, when it comes, what the table says of it, and for how long it lasts."""

    name: str
    do: Done
    outcome: str
    at_s: float = DARK_S
    heals: str = ""
    """The device that is mended again, `for_s` later."""
    for_s: float = 0.0
    policies: tuple[tuple[str, str, Any], ...] = ()
    hours: float = HOURS
    sister: str = ""
    """A fault of the default run that is led by the same rule; this one then is a long one."""


def unguided() -> tuple[tuple[str, str, Any], ...]:
    return (("guiding", "unguided_s", 30.0),)


def soon_safe() -> tuple[tuple[str, str, Any], ...]:
    return (("weather", "wait_safe_s", 60.0),)


def dies(device: str) -> Done:
    return lambda faults: faults.dead(device)


def starts_again(device: str) -> Done:
    return lambda faults: faults.reborn(device)


def turns_deaf(device: str) -> Done:
    return lambda faults: faults.deaf(device)


def refuses(device: str, name: str, times: float = float("inf")) -> Done:
    return lambda faults: faults.refuses(device, name, times)


def ignores(device: str, name: str, state: State, times: float = float("inf")) -> Done:
    return lambda faults: faults.ignores(device, name, state, times)


def cap_refuses(times: float) -> Done:
    """It is closed, as a person left it, and refuses to open."""

    async def do(faults: Faults) -> None:
        faults.simulator(DUST_CAP).receive("CONNECTION", CONNECT)
        faults.simulator(DUST_CAP).receive(CAP, PARKED)
        await asyncio.sleep(60.0)
        faults.refuses(DUST_CAP, CAP, times)

    return do


async def bad_network(faults: Faults) -> None:
    """The link is cut again and again for the rest of the night."""
    for _ in range(10):
        await faults.server_gone(3.0, reborn=False)
        await asyncio.sleep(77.0)


async def now_and_then(faults: Faults) -> None:
    """The guide port refuses two pulses, more often than it is tried for one trouble."""
    for _ in range(6):
        faults.refuses(MOUNT, PULSES, 2)
        await asyncio.sleep(210.0)


BUSY, OK = State.BUSY, State.OK
SLEW, SLOT, STEPS = "EQUATORIAL_EOD_COORD", "FILTER_SLOT", "ABS_FOCUS_POSITION"
EXPOSURE, DOME, CAP = "CCD_EXPOSURE", "DOME_*", "CAP_PARK"

FAULTS = (
    # The main camera
    Fault("camera refuses an exposure", refuses(CAMERA, EXPOSURE, 1), "recovered"),
    Fault("camera refuses five exposures", refuses(CAMERA, EXPOSURE, 5), "recovered",
          sister="camera refuses an exposure"),
    Fault("camera brings no frame", lambda f: f.never_ends(1), "recovered"),
    Fault("camera's driver starts again", starts_again(CAMERA), "recovered"),
    Fault("camera dead for two minutes", dies(CAMERA), "recovered", heals=CAMERA, for_s=120.0),
    Fault("camera deaf for two minutes", turns_deaf(CAMERA), "recovered", heals=CAMERA,
          for_s=120.0,
          sister="camera dead for two minutes"),
    Fault("camera dead for good", dies(CAMERA), "camera: retire"),
    Fault("camera has no offset", lambda f: f.lacks(CAMERA, "CCD_OFFSET"), "camera: retire, asked"
          " once", at_s=BEFORE_S),
    Fault("camera has no cooler", lambda f: f.lacks(CAMERA, "CCD_TEMPERATURE"), "camera: retire,"
          " asked once", at_s=BEFORE_S),
    Fault("camera has less gain", lambda f: f.narrow(CAMERA, "CCD_GAIN", "GAIN", (0.0, 50.0)),
          "camera: retire, asked once", at_s=BEFORE_S),
    Fault("camera is found exposing", lambda f: f.camera_exposing(), "untroubled", at_s=BEFORE_S),
    Fault("camera's cooler is weak", lambda f: f.cooler_weak(10.0), "untroubled", at_s=BEFORE_S),
    Fault("camera refuses a frame to solve", refuses(CAMERA, EXPOSURE, 1), "tried at once",
          at_s=ACQUIRES_S),
    # The guide camera
    Fault("guide camera refuses a frame", refuses(GUIDE_CAMERA, EXPOSURE, 1), "tried at once",
          at_s=DARK_S + 100.0),
    Fault("guide camera refuses four frames", refuses(GUIDE_CAMERA, EXPOSURE, 4), "recovered",
          sister="guide port refuses three pulses"),
    Fault("guide camera brings no frame", lambda f: f.never_ends(2, GUIDE_CAMERA), "recovered",
          sister="camera brings no frame"),
    Fault("guide camera's driver starts again", starts_again(GUIDE_CAMERA), "recovered",
          sister="guide camera deaf for a minute"),
    Fault("guide camera deaf for a minute", turns_deaf(GUIDE_CAMERA), "recovered",
          heals=GUIDE_CAMERA, for_s=60.0),
    Fault("guide camera dead for good", dies(GUIDE_CAMERA), "guide_camera: retire"),
    Fault("guide camera dead for good, unguided allowed", dies(GUIDE_CAMERA),
          "guide_camera: go on without it", policies=unguided()),
    # The guide port
    Fault("guide port refuses a pulse", refuses(MOUNT, PULSES, 1), "tried at once",
          at_s=DARK_S + 150.0),
    Fault("guide port refuses three pulses", refuses(MOUNT, PULSES, 3), "recovered"),
    Fault("guide port refuses now and then", now_and_then, "recovered", hours=0.65,
          sister="guide port refuses three pulses"),
    Fault("guide port refuses for good", refuses(MOUNT, PULSES), "guide_port: retire",
          sister="guide camera dead for good"),
    Fault("guide port refuses for good, unguided allowed", refuses(MOUNT, PULSES),
          "guide_port: go on without it", policies=unguided(),
          sister="guide camera dead for good, unguided allowed"),
    Fault("guide port takes no pulses along one axis",
          lambda f: f.lacks(MOUNT, "TELESCOPE_TIMED_GUIDE_NS"), "guide_port: retire, asked once",
          at_s=BEFORE_S),
    # The wheel
    Fault("wheel refuses once", refuses(WHEEL, SLOT, 1), "tried at once"),
    Fault("wheel refuses three times", refuses(WHEEL, SLOT, 3), "recovered",
          sister="guide port refuses three pulses"),
    Fault("wheel turns without an end", ignores(WHEEL, SLOT, BUSY, 1), "tried at once",
          at_s=DARK_S + 300.0),
    Fault("wheel says it turned and did not", ignores(WHEEL, SLOT, OK, 1), "tried at once",
          at_s=DARK_S + 600.0),
    Fault("wheel's driver starts again", starts_again(WHEEL), "untroubled"),
    Fault("wheel refuses for good", refuses(WHEEL, SLOT), "wheel: go on without it",
          sister="wheel dead for good"),
    Fault("wheel dead for good", dies(WHEEL), "wheel: go on without it"),
    Fault("wheel deaf for good", turns_deaf(WHEEL), "wheel: go on without it",
          sister="wheel dead for good"),
    # The focuser
    Fault("focuser refuses once", refuses(FOCUSER, STEPS, 1), "tried at once",
          at_s=DARK_S + 900.0),
    Fault("focuser's driver starts again", starts_again(FOCUSER), "untroubled",
          at_s=DARK_S + 300.0),
    Fault("focuser refuses for good", refuses(FOCUSER, STEPS), "focuser: go on without it",
          sister="focuser dead for good"),
    Fault("focuser dead for good", dies(FOCUSER), "focuser: go on without it"),
    Fault("focuser has less travel",
          lambda f: f.narrow(FOCUSER, STEPS, "FOCUS_ABSOLUTE_POSITION", (0.0, 9_900.0)),
          "focuser: retire, asked once", at_s=BEFORE_S),
    # The mount
    Fault("mount refuses a slew", refuses(MOUNT, SLEW, 1), "recovered", at_s=OPENS_S),
    Fault("mount refuses slews for good", refuses(MOUNT, SLEW), "mount: retire", at_s=OPENS_S),
    Fault("mount's driver starts again", starts_again(MOUNT), "untroubled",
          at_s=DARK_S + 600.0),
    Fault("mount dead for half a minute", dies(MOUNT), "recovered", heals=MOUNT, for_s=30.0,
          sister="camera dead for two minutes"),
    Fault("mount dead until a person comes", dies(MOUNT), "stranded", heals=MOUNT, for_s=240.0),
    Fault("mount sticks in parking", lambda f: f.park_sticks(3, alert=True), "stranded"),
    # The roof and the dust cap
    Fault("roof refuses to open once", refuses(ROOF, DOME, 1), "recovered", at_s=60.0),
    Fault("roof refuses to open for good", refuses(ROOF, DOME), "roof: retire", at_s=60.0),
    Fault("roof's driver starts again", starts_again(ROOF), "untroubled",
          at_s=DARK_S + 900.0),
    Fault("cap refuses to open once", cap_refuses(1), "recovered", at_s=BEFORE_S,
          sister="roof refuses to open once"),
    Fault("cap refuses to open for good", cap_refuses(float("inf")), "dust_cap: retire",
          at_s=BEFORE_S),
    # The station
    Fault("station dead for two minutes", dies(STATION), "sheltered", heals=STATION, for_s=120.0,
          policies=soon_safe()),
    Fault("station dead at dusk", dies(STATION), "weather: shelter", at_s=BEFORE_S, heals=STATION,
          for_s=600.0, policies=soon_safe()),
    Fault("station silent for five minutes", lambda f: f.station_silent(), "sheltered",
          heals=STATION, for_s=300.0, policies=soon_safe(),
          sister="station dead for two minutes"),
    # The link
    Fault("server gone for a minute", lambda f: f.server_gone(60.0), "recovered"),
    Fault("server gone for two minutes, drivers kept",
          lambda f: f.server_gone(120.0, reborn=False), "recovered",
          sister="server gone for a minute"),
    Fault("bad network to the end", bad_network, "no end before its time", hours=0.55),
)  # fmt: skip


def changed(fault: Fault) -> tuple[Settings, RigSettings]:
    """The demo observatory with short nights, fewer guide frames, and the fault's policies."""
    policies: dict[str, dict[str, Any]] = {}
    for section, key, value in fault.policies:
        policies.setdefault(section, {})[key] = value
    return demo(targets=dict.fromkeys("RGB", SUB_S), policies=policies, guide_s=10.0)


def nights() -> list[Any]:
    """Each fault has a night, but for those that cost none: these follow each other in one."""
    shared = [
        tuple(fault for fault in FAULTS if fault.outcome == outcome)
        for outcome in ("untroubled", "tried at once")
    ]
    alone = [(fault,) for fault in FAULTS if not any(fault in faults for faults in shared)]
    return [
        pytest.param(faults, marks=pytest.mark.long if faults[0].sister else ())
        for faults in (*shared, *alone)
    ]


async def befall(faults: Faults, fault: Fault) -> None:
    """A fault comes at its time, and goes."""
    await asyncio.sleep(fault.at_s)
    done = fault.do(faults)
    if asyncio.iscoroutine(done):
        await done
    if fault.heals:
        await asyncio.sleep(fault.for_s)
        faults.heal(fault.heals)


def night_with(out: Path, *several: Fault) -> Story:
    """A short night with faults; a person mends mount and roof after it."""

    async def meddle(rig: SimulatedRig, clock: Clock) -> None:
        faults = Faults(rig.link, rig.simulators, rig.world, clock)
        async with asyncio.TaskGroup() as group:
            for fault in several:
                group.create_task(befall(faults, fault))
            await asyncio.sleep(MENDED_S)
            for device in (MOUNT, ROOF):
                faults.heal(device)

    return live(out, changed(several[0]), hours=several[0].hours, meddler=meddle)


def phases(story: Story) -> list[str]:
    return [one.after for one in story.of(e.PhaseChanged)]


def went_to_its_time(story: Story) -> bool:
    """Whether subs were taken until the night's time was over."""
    return story.rehearsal.ends_s - max(story.at(e.SubEnded), default=0.0) < 400.0


def outcome(out: Path) -> str | None:
    """The ledger's word on how the night ended: whether a daemon started anew goes on with it."""
    with Ledger(out / FILE_NAME) as ledger:
        last = ledger.last_act("night")
    assert last is not None
    return last.outcome


def gave_up(story: Story) -> dict[str, str]:
    return {one.part: one.then for one in story.of(e.GivenUp)}


Lived = Callable[[tuple[Fault, ...]], Story]


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Lived:
    """The night with these faults, which is lived through once."""
    return cache(lambda faults: night_with(tmp_path_factory.mktemp("night"), *faults))


@pytest.mark.parametrize("faults", nights(), ids=lambda faults: ", ".join(f.name for f in faults))
def test_a_fault_leads_where_the_table_says(lived: Lived, faults: tuple[Fault, ...]) -> None:
    story = lived(faults)
    assert story.played.violations == []
    assert not story.of(e.UnexpectedError)
    assert phases(story)[-1] == "asleep"
    expected, _, once = faults[0].outcome.partition(", asked")
    match expected:
        case "untroubled":
            assert not story.of(e.DeviceTrouble)
            assert phases(story).count("readying") == 1
            assert went_to_its_time(story)
        case "tried at once":
            assert len(story.of(e.DeviceTrouble)) == len(faults)
            assert phases(story).count("readying") == 1
            assert went_to_its_time(story)
        case "recovered" | "no end before its time":
            assert story.of(e.DeviceTrouble)
            assert not story.of(e.GivenUp)
            assert went_to_its_time(story)
        case "sheltered":
            assert "sheltering" in phases(story)
            assert went_to_its_time(story)
        case "stranded":
            assert story.of(e.PersonNeeded)
        case _:
            part, then = expected.split(": ")
            assert gave_up(story) == {part: then}
            (given_up,) = story.of(e.GivenUp)
            assert given_up.mend
            assert given_up.tries == (1 if once else given_up.tries)
            assert went_to_its_time(story) is (then in ("go on without it", "shelter"))
            assert bool(story.of(e.GoneOnWithout)) is (then == "go on without it")
            assert (outcome(story.rehearsal.out) == GIVEN_UP) is (then == "retire")
            if once:  # what can never succeed is not tried again under an open roof
                given_up_s = story.at(e.GivenUp)[0]
                assert not [at_s for at_s in story.at(e.RoofOpened) if at_s >= given_up_s]


def test_there_are_enough_faults_and_each_is_another() -> None:
    names = [fault.name for fault in FAULTS]
    assert len(set(names)) == len(names) >= 40


def test_a_fault_of_the_long_run_has_a_sister_that_leads_to_the_same() -> None:
    quick = {fault.name: fault.outcome for fault in FAULTS if not fault.sister}
    for fault in FAULTS:
        if fault.sister:
            assert quick[fault.sister].split(": ")[-1] == fault.outcome.split(": ")[-1]


def test_without_a_guider_all_subs_are_shortened_alike_and_dithered_by_slews(lived: Lived) -> None:
    fault = next(
        one for one in FAULTS if one.name == "guide camera dead for good, unguided allowed"
    )
    story = lived((fault,))
    without_s = story.at(e.GoneOnWithout)[0]
    after = [f for f in story.frames if f.start_utc and f.start_utc.timestamp() > without_s]
    assert {frame.exposure_s for frame in after} == {30.0}
    assert {frame.filter for frame in after} == set("RGB")
    assert all(frame.guide_rms_arcsec is None for frame in after)
    assert len([at_s for at_s in story.at(e.Dithered) if at_s > without_s]) > 3
    accepted = [frame for frame in after if frame.verdict == "accepted"]
    assert len(accepted) > 0.7 * len(after)


def test_a_wheel_that_turns_again_makes_up_what_is_missing(tmp_path: Path) -> None:
    """It refuses for ten minutes, and is asked each minute whether it turns again."""
    fault = Fault("wheel refuses for ten minutes", refuses(WHEEL, SLOT), "",
                  heals=WHEEL, for_s=600.0, hours=0.8)  # fmt: skip
    story = night_with(tmp_path, fault)
    assert story.played.violations == []
    gone_s = story.at(e.GoneOnWithout)[0]
    back_s = next(at for at in story.at(e.FilterChanged) if at > gone_s)
    assert back_s < gone_s + 600.0 + 180.0
    stuck, back = list[str](), list[str]()
    for frame in story.frames:
        assert frame.start_utc is not None
        began_s = frame.start_utc.timestamp()
        (back if began_s > back_s else stuck).append(frame.filter)
    (only,) = {name for name in stuck if stuck.count(name) > 3}
    assert set(back) == set("RGB")
    others = [name for name in "RGB" if name != only]
    assert min(back.count(name) for name in others) > back.count(only)
