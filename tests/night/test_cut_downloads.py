"""A sub whose shutter has closed is kept, whatever comes while its frame is on its way."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from night.nights import Story, demo, live
from nightloom.faults import Act, row_of
from nightloom.rig import SimulatedRig
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.link import Event, State, Updated
from nightloom_drivers.simulators.faults import Faults

SUB_S = 60.0
DOWNLOAD_S = 18.0
"""Long enough for another phase to begin, and to come to rest after trouble, before it ends."""

Trouble = Callable[[SimulatedRig, Clock], None]

TABLE_TRIES = row_of(Act.FILTER).tries

CLOSED = 2
"""The sub in whose download something happens."""


def rain(rig: SimulatedRig, clock: Clock) -> None:
    """It rains from now on, and the station measures it at once."""
    Faults(rig.link, rig.simulators, rig.world, clock).rain()
    rig.simulator("Rig Weather").receive("WEATHER_REFRESH", {"REFRESH": True})


def refuse_a_move(rig: SimulatedRig, clock: Clock) -> None:
    """The wheel says no as often as it is asked at once: the night makes the rig ready anew."""
    faults = Faults(rig.link, rig.simulators, rig.world, clock)
    faults.ignores("Rig Wheel", "FILTER_SLOT", State.ALERT, TABLE_TRIES)


def night(out: Path, trouble: Trouble) -> Story:
    """A night in which something happens at the moment when a shutter closes."""
    settings, rig = demo(targets={"L": SUB_S, "R": SUB_S})
    rig = rig.model_copy(
        update={"sensor": rig.sensor.model_copy(update={"download_s": DOWNLOAD_S})}
    )

    async def meddle(simulated: SimulatedRig, clock: Clock) -> None:
        link = simulated.link
        reached = asyncio.Event()
        closed = 0
        left_s = 0.0

        def hear(event: Event) -> None:
            nonlocal closed, left_s
            match event:
                case Updated(vector) if (vector.device, vector.name) == (
                    "Rig Camera",
                    "CCD_EXPOSURE",
                ):
                    now_s = vector.number("CCD_EXPOSURE_VALUE")
                    long = left_s > 0.0 and vector.state is State.BUSY
                    closed += long and now_s == 0.0 and subs[0]
                    subs[0] = subs[0] or now_s >= SUB_S
                    left_s = now_s
                    if closed == CLOSED and not reached.is_set():
                        trouble(simulated, clock)
                        reached.set()
                case _:
                    pass

        subs = [False]
        with link.listen(hear):
            await reached.wait()
        await asyncio.get_running_loop().create_future()

    return live(out, (replace(settings, rig=rig), rig), hours=0.3, frames=True, meddler=meddle)


@pytest.mark.parametrize(
    ("trouble", "phase"), [(rain, "sheltering"), (refuse_a_move, "readying")], ids=["rain", "wheel"]
)
def test_the_full_sub_is_kept(trouble: Trouble, phase: str, tmp_path: Path) -> None:
    """Its frame comes while the rig does something else, and its verdict is that of any other."""
    story = night(tmp_path, trouble)
    assert story.played.violations == []
    assert story.of(e.UnexpectedError) == []
    begun, ended = (
        story.of(e.SubBegun),
        dict(zip((event.uid for event in story.of(e.SubEnded)), story.at(e.SubEnded), strict=True)),
    )
    cut = begun[CLOSED - 1].uid
    began_s = story.at(e.SubBegun)[CLOSED - 1]
    moved_s = next(
        at
        for at, event in zip(story.at(e.PhaseChanged), story.of(e.PhaseChanged), strict=True)
        if event.after == phase and at > began_s
    )
    assert began_s + SUB_S <= moved_s < ended[cut], "the phase ended in the download"
    frames = {frame.uid: frame for frame in story.frames}
    assert frames[cut].verdict == "accepted"
    assert (tmp_path / "frames" / frames[cut].path).is_file()
    assert story.of(e.SubCancelled) == []
