"""The table of the night: complete, safe in every row, and the only way."""

from collections.abc import Set as AbstractSet
from pathlib import Path
from typing import get_args, get_type_hints

import pytest

from nightloom.night.interrupts import ERRORS, WATCHES, Cut
from nightloom.night.phases import Phase
from nightloom.night.table import NIGHT, IllegalMove, Phases, Roof, Row, diagram, moves, watched
from nightloom.telemetry import Log
from nightloom_drivers.clock import WallClock

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"

ROWS = pytest.mark.parametrize("phase", NIGHT)


def after(phase: Phase) -> set[Phase]:
    return {to for before, to, _ in moves() if before is phase}


def reachable(start: Phase, without: AbstractSet[Phase] = frozenset()) -> set[Phase]:
    found = {start}
    while more := {to for phase in found for to in after(phase)} - found - without:
        found |= more
    return found


def open_rows() -> list[tuple[Phase, Row]]:
    return [(phase, row) for phase, row in NIGHT.items() if row.roof is Roof.MAY_BE_OPEN]


def ends(row: Row) -> Cut:
    """What ends a phase's time: dawn that of the dark hours, the Sun itself what comes after."""
    return Cut.DAY if Cut.DAY in row.cuts else Cut.DAWN


def test_every_phase_but_asleep_has_a_row() -> None:
    assert set(NIGHT) == set(Phase) - {Phase.ASLEEP}


@ROWS
def test_every_outcome_of_a_phases_work_has_a_place_to_go(phase: Phase) -> None:
    """What the work may hand over is in its type, to which the type checker holds it."""
    (ending,) = get_args(get_type_hints(NIGHT[phase].work)["return"])
    assert set(get_args(ending)) == set(NIGHT[phase].leads)


def test_where_the_roof_may_be_open_the_weather_is_watched() -> None:
    for phase, row in open_rows():
        assert Cut.UNSAFE in watched(row), phase
        assert row.cuts[Cut.UNSAFE] is Phase.SHELTERING, phase


def test_where_the_roof_may_be_open_a_person_and_dawn_are_heard_and_the_pier_is_watched() -> None:
    for phase, row in open_rows():
        assert {Cut.OPERATOR, ends(row), Cut.LIMIT, Cut.TROUBLE} <= set(watched(row)), phase


def test_after_dawn_nothing_leads_back_to_the_nights_lights() -> None:
    """What follows the dark hours closes before the Sun rises."""
    late = {phase for phase, row in open_rows() if ends(row) is Cut.DAY}
    assert late == {Phase.CALIBRATING}
    assert set(NIGHT[Phase.CALIBRATING].leads) == {Phase.RETIRING}
    assert set(NIGHT[Phase.CALIBRATING].cuts.values()) == {
        Phase.RETIRING, Phase.SHELTERING, Phase.STRANDED, Phase.PAUSING,
    }  # fmt: skip


@ROWS
def test_whatever_a_phase_meets_has_a_place_to_go(phase: Phase) -> None:
    """Mistakes, trouble and a rig that cannot be made safe may be met by any work."""
    assert {Cut.MISTAKE, Cut.TROUBLE, Cut.NOT_SAFE} <= set(NIGHT[phase].cuts)


@ROWS
def test_a_rig_that_cannot_be_made_safe_is_stranded_from_every_phase(phase: Phase) -> None:
    assert NIGHT[phase].cuts[Cut.NOT_SAFE] is Phase.STRANDED


def test_cloud_cuts_gathering_short_and_nothing_else() -> None:
    clouded = {phase: row.cuts[Cut.CLOUD] for phase, row in NIGHT.items() if Cut.CLOUD in row.cuts}
    assert clouded == {Phase.GATHERING: Phase.HOLDING}


def test_nothing_weaker_than_a_person_cuts_into_making_safe() -> None:
    for phase, row in NIGHT.items():
        if row.roof is Roof.CLOSES:
            assert set(watched(row)) <= {Cut.OPERATOR, Cut.DAWN}, phase


def test_a_phase_in_which_the_roof_may_be_open_is_left_for_one_that_closes() -> None:
    """By unsafe weather, a person, dawn and mistakes, whatever else is the matter."""
    for _, row in open_rows():
        for cut in (Cut.UNSAFE, Cut.OPERATOR, ends(row), Cut.MISTAKE, Cut.NOT_SAFE):
            assert NIGHT[row.cuts[cut]].roof is Roof.CLOSES


@ROWS
def test_every_phase_leads_to_parked_and_closed_through_phases_that_close(phase: Phase) -> None:
    opening = {one for one, _ in open_rows()}
    assert Phase.ASLEEP in reachable(phase, without=opening - {phase})


def test_every_phase_is_reached_from_asleep() -> None:
    assert reachable(Phase.ASLEEP) == set(Phase)


def test_asleep_is_reached_only_by_retiring() -> None:
    """Nothing but parking and closing ends a night."""
    assert {before for before, to, _ in moves() if to is Phase.ASLEEP} == {Phase.RETIRING}


def test_every_cut_has_its_errors_and_its_watcher() -> None:
    """Trouble is raised by work as well; what cannot be made safe, and mistakes, by work alone."""
    assert set(ERRORS) == set(Cut) - {Cut.MISTAKE}
    assert set(WATCHES) == set(Cut) - {Cut.MISTAKE, Cut.NOT_SAFE}


def test_a_move_outside_the_table_is_refused() -> None:
    phases = Phases(Log(WallClock()))
    with pytest.raises(IllegalMove, match="asleep to gathering"):
        phases.move(Phase.GATHERING, "no reason")


def test_the_diagram_for_developers_is_drawn_from_the_table() -> None:
    assert diagram() in DEVELOPERS.read_text()
