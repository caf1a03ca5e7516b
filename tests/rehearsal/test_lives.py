"""A rehearsed daemon that is killed and started again, on a computer whose clock is set wrong."""

from datetime import datetime
from pathlib import Path

import pytest

from night.nights import NIGHT, SELDOM_S, demo
from nightloom.rehearsal import Played, Rehearsal, play_virtually
from nightloom.rehearsal.troubles import TROUBLES, Coming
from nightloom.rig import SimulatedRig
from nightloom.telemetry import Event
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.sent import Sent

BY_NAME = {trouble.name: trouble for trouble in TROUBLES}
DUSK_S = datetime.fromisoformat("2026-11-10T17:37:50+00:00").timestamp()
BACK_S = -300.0


class Lived:
    """A short night in which the clock is set back while it dithers, and while it exposes, and
    later there is no power for a minute.
    """

    def __init__(self, out: Path) -> None:
        settings, rig = demo(targets={"L": 20.0}, guide_s=SELDOM_S)
        self.said: list[Event] = []
        self.rigs: list[SimulatedRig] = []
        comings = (Coming(BY_NAME["power-cut"], DUSK_S + 400.0),)
        rehearsal = Rehearsal(
            settings, rig, NIGHT, out, 7, 0.42, frames=True, comings=comings, sent=Sent.STARS
        )
        (out / "frames").mkdir()
        self.played: Played = play_virtually(rehearsal, lambda _: (self.hear,), self.keep)

    async def keep(self, rig: SimulatedRig, _: Clock) -> None:
        self.rigs.append(rig)

    def hear(self, _: datetime, event: Event) -> None:
        self.said.append(event)
        downloads = sum(isinstance(one, e.SubEnded) for one in self.said)
        if isinstance(event, e.SubEnded) and downloads == 3:
            self.rigs[0].world.clock_off_s = BACK_S
        if isinstance(event, e.SubBegun) and len(self.of(e.SubBegun)) == 6:
            self.rigs[0].world.clock_off_s = 2 * BACK_S  # the driver dates it by the earlier clock

    def of(self, kind: type[Event]) -> list[Event]:
        return [one for one in self.said if isinstance(one, kind)]


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Lived:
    return Lived(tmp_path_factory.mktemp("lives"))


def test_every_promise_holds_through_death_and_a_wrong_clock(lived: Lived) -> None:
    assert lived.played.violations == []
    assert lived.of(e.UnexpectedError) == []


def test_the_next_life_goes_on_with_the_night(lived: Lived) -> None:
    assert len(lived.of(e.NightBegun)) == 2
    (restarted,) = lived.of(e.Restarted)
    ends = lived.said[lived.said.index(restarted) :]
    assert sum(isinstance(one, e.FrameAccepted) for one in ends) >= 3
    assert len(lived.of(e.NightEnded)) == 1, "the first life had no last word"


def test_what_takes_time_takes_it_whatever_the_clock_says(lived: Lived) -> None:
    assert lived.rigs[0].world.clock_off_s == 0.0, "a computer that starts has the time"
    settled_s = [one.settle_s for one in lived.said if isinstance(one, e.Dithered)]
    assert min(settled_s) > 0.0
    assert max(settled_s) < 120.0
