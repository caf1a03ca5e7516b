"""A daemon that is started again in the night goes on from the focus that its ledger knows."""

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from night.nights import NIGHT, demo
from nightloom.rehearsal import Rehearsal, play_virtually
from nightloom.telemetry import Event
from nightloom.telemetry import events as e

HOURS = 0.4
"""The night before the restart."""

AWAY_S = 420.0
"""From a good night's last minute to the restart."""


@dataclass(frozen=True)
class Restarted(Rehearsal):
    """A rehearsal that begins in the night."""

    after_dark_s: float | None = None

    @property
    def starts_s(self) -> float:
        if self.after_dark_s is None:
            return super().starts_s
        return self.dark.start_unix_s + self.after_dark_s


@dataclass(frozen=True)
class Run:
    """What a run of the daemon said."""

    events: list[Event]
    violations: list[str]

    def of(self, kind: type[Event]) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]


def run(
    out: Path, hours: float, *, restarted: bool, moved_steps: float = 0.0, **policy: Any
) -> Run:
    """A run from dusk, or from after the restart; best focus may have moved meanwhile."""
    settings, rig = demo(
        targets=dict.fromkeys("LR", 30.0), policies={"focus": policy} if policy else None
    )
    focus = rig.focus.model_copy(update={"base_steps": rig.focus.base_steps + moved_steps})
    rig = rig.model_copy(update={"focus": focus})
    after_s = 3600.0 * HOURS + AWAY_S if restarted else None
    rehearsal = Restarted(
        replace(settings, rig=rig), rig, NIGHT, out, 7, hours, frames=False, after_dark_s=after_s
    )
    said: list[Event] = []

    def note(_: datetime, event: Event) -> None:
        said.append(event)

    played = play_virtually(rehearsal, lambda _: (note,))
    return Run(said, played.violations)


@pytest.fixture
def before(tmp_path: Path) -> Run:
    return run(tmp_path, HOURS, restarted=False)


def test_it_goes_on_where_best_focus_was_and_takes_no_curve(tmp_path: Path, before: Run) -> None:
    assert before.of(e.FocusCurve), "it had to be found first"
    assert before.of(e.FocusKept) == []
    again = run(tmp_path, 0.8, restarted=True)
    (kept,) = again.of(e.FocusKept)
    assert kept.holds
    assert again.of(e.FocusCurve) == []
    earlier = "is in the ledger and no such sub left the camera"
    assert [one for one in again.violations if not one.endswith(earlier)] == []
    assert len(again.of(e.FrameAccepted)) >= 8
    last = {one.after: one.focuser_steps for one in before.of(e.FilterChanged)}
    for one in again.of(e.FilterChanged)[:2]:
        assert abs(one.focuser_steps - last[one.after]) <= 20, one.after


def test_star_sizes_show_a_focuser_that_does_not_stand_where_it_did(
    tmp_path: Path, before: Run
) -> None:
    again = run(tmp_path, 0.9, restarted=True, moved_steps=300.0)
    (kept,) = again.of(e.FocusKept)
    assert kept.holds
    looks = [one for one in again.events if isinstance(one, (e.FocusChecked, e.FocusCurve))]
    assert "than before the restart" in looks[0].reason
    frames = [one for one in again.events if isinstance(one, (e.FrameAccepted, e.FrameRejected))]
    before_look = [one for one in frames if again.events.index(one) < again.events.index(looks[0])]
    assert len(before_look) <= 3


def test_a_focus_farther_away_is_looked_for_when_nothing_can_be_solved(
    tmp_path: Path, before: Run
) -> None:
    again = run(tmp_path, 0.9, restarted=True, moved_steps=450.0)
    assert again.of(e.FocusCurve)[0].reason == "nothing could be solved"
    assert again.of(e.FrameAccepted)


def test_a_curve_older_than_the_policies_bear_is_taken_anew(tmp_path: Path, before: Run) -> None:
    again = run(tmp_path, 0.8, restarted=True, refocus_after_s=600.0, minimum_interval_s=60.0)
    assert again.of(e.FocusCurve)[0].accepted


def test_another_night_begins_there_and_with_a_curve(tmp_path: Path, before: Run) -> None:
    (curve,) = [one for one in before.of(e.FocusCurve) if one.accepted]
    settings, rig = demo(targets=dict.fromkeys("LR", 30.0))
    rehearsal = Rehearsal(settings, rig, NIGHT.replace(day=11), tmp_path, 7, 0.3, frames=False)
    said: list[Event] = []
    play_virtually(rehearsal, lambda _: (lambda _, event: said.append(event),))
    (kept,) = [one for one in said if isinstance(one, e.FocusKept)]
    assert not kept.holds
    first = next(one for one in said if isinstance(one, e.FocusCurve))
    middle = sorted(first.positions_steps)[len(first.positions_steps) // 2]
    assert abs(middle - curve.vertex_steps) < 150.0
