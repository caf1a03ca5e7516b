"""The table of phases: complete, and the only way."""

from pathlib import Path

import pytest

from nightloom.night.night import PHASES
from nightloom.night.phases import MOVES, IllegalMove, Phase, Phases, diagram
from nightloom.telemetry import Log
from nightloom_drivers.clock import WallClock

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"


def reachable(start: Phase) -> set[Phase]:
    found = {start}
    while more := {m.after for m in MOVES if m.before in found} - found:
        found |= more
    return found


def test_every_phase_leads_to_parked_and_closed() -> None:
    assert all(Phase.ASLEEP in reachable(phase) for phase in Phase)


def test_every_phase_is_reached_from_asleep() -> None:
    assert reachable(Phase.ASLEEP) == set(Phase)


def test_asleep_is_reached_only_by_retiring() -> None:
    """Nothing but parking and closing ends a night."""
    assert {m.before for m in MOVES if m.after is Phase.ASLEEP} == {Phase.RETIRING}


def test_every_phase_but_asleep_has_work() -> None:
    assert set(PHASES) == set(Phase) - {Phase.ASLEEP}


def test_every_working_phase_can_retire_when_a_person_asks() -> None:
    for phase in set(PHASES) - {Phase.RETIRING}:
        assert any((m.before, m.after) == (phase, Phase.RETIRING) for m in MOVES), phase


def test_a_move_outside_the_table_is_refused() -> None:
    phases = Phases(Log(WallClock()))
    with pytest.raises(IllegalMove, match="asleep to gathering"):
        phases.move(Phase.GATHERING, "no reason")


def test_the_diagram_for_developers_is_drawn_from_the_table() -> None:
    assert diagram() in DEVELOPERS.read_text()
