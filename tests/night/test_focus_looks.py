"""When a night looks at its focus, and what it does about what it sees."""

import asyncio
from pathlib import Path

import pytest

from night.nights import NIGHT, Story, demo, live
from nightloom.crew.learned_focus import learned_offsets
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.link import Link, LoopbackLink

SHORT = {"L": 60.0, "R": 60.0}
STEADY = {"focus": {"base_steps": 10_060.0, "slope_steps_per_c": 0.0, "flexure_steps": 0.0}}
SLIP_STEPS = 33
"""The critical focus zone of the demo rig, 67 µm: stars grow by half, more than frames may."""


@pytest.fixture(scope="module")
def cooling(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """An hour and a half in which the tube cools and focus drifts, slope unknown."""
    return live(
        tmp_path_factory.mktemp("cooling"),
        demo(
            targets=SHORT,
            rig={"focus": {**STEADY["focus"], "slope_steps_per_c": -25.0}},
            policies={"focus": {"temperature_change_c": 0.7}},
        ),
        hours=1.5,
    )


def test_one_curve_and_then_checks(cooling: Story) -> None:
    """The first look is a curve; a change of temperature asks for checks, which suffice."""
    assert cooling.played.promises.violations == []
    assert len(cooling.of(e.FocusCurve)) == 1
    checks = cooling.of(e.FocusChecked)
    assert any(check.reason.startswith("the temperature changed") for check in checks)
    assert cooling.played.account.figures()["focus_checks"] == len(checks)


def test_a_check_says_which_way_and_how_far(cooling: Story) -> None:
    """The tube cools, so focus moves outward, and the focuser follows by the estimate."""
    moved = [check for check in cooling.of(e.FocusChecked) if check.moved]
    assert moved
    for check in moved:
        assert check.direction == "outward"
        assert check.estimate_steps is not None
        assert check.error_steps is not None
        assert 0 < check.error_steps < check.estimate_steps < 33.5


def test_checks_are_measurements_in_the_ledger(cooling: Story) -> None:
    """Where they found the focus, stayed or moved; with one curve they tell the slope of the tube.

    Over 1.5 °C, and the tube follows the probe late: to three of the errors that are stated.
    """
    with Ledger.read(cooling.rehearsal.out / FILE_NAME) as ledger:
        checks = ledger.checks(night=str(NIGHT))
        learned = learned_offsets(ledger, cooling.rehearsal.settings.observatory)
    events = cooling.of(e.FocusChecked)
    assert len(checks) == len(events) > 0
    for check, event in zip(checks, events, strict=True):
        middle = (min(check.positions_steps) + max(check.positions_steps)) / 2
        assert (check.outcome, check.reason) == (event.verdict, event.reason)
        assert check.vertex_steps == pytest.approx(middle + event.estimate_steps)
        assert check.error_steps == event.error_steps
        assert check.correction_steps == event.correction_steps
    assert learned is not None
    clear = sum(check.outcome != "unclear" for check in checks)
    assert (learned.offsets["L"].curves, learned.offsets["L"].checks) == (1, clear)
    away = learned.slope_steps_per_c - -25.0
    assert abs(away) < 3 * learned.slope_error_steps_per_c < 15.0


def test_a_slip_of_a_zone_is_found_and_undone(tmp_path: Path) -> None:
    """Within four subs and the one under way, though frames are rejected for their size."""
    slipped: list[float] = []

    async def slip(link: Link, clock: Clock) -> None:
        """Half an hour into the dark the gear slips: a position is not where it was."""
        assert isinstance(link, LoopbackLink)
        await asyncio.sleep(4500.0)
        link._responders["Rig Focuser"]._zero_steps -= SLIP_STEPS  # type: ignore[attr-defined]
        slipped.append(clock.unix_s())
        await asyncio.get_running_loop().create_future()

    story = live(tmp_path, demo(targets=SHORT, rig=STEADY), hours=1.2, meddler=slip)
    assert story.played.promises.violations == []
    looks_s = [at for at in story.at(e.FocusChecked) if at > slipped[0]]
    subs = [at for at in story.at(e.SubBegun) if slipped[0] < at < looks_s[0]]
    assert len(subs) <= 5
    with Ledger.read(tmp_path / FILE_NAME) as ledger:
        found = next(one for one in ledger.checks() if one.taken_utc.timestamp() > slipped[0])
    assert found.outcome == "moved"
    assert found.vertex_steps is not None
    assert found.error_steps is not None
    assert abs(found.vertex_steps - (10_060.0 - SLIP_STEPS)) < 3 * found.error_steps
    last = story.frames[-1]
    assert last.verdict == "accepted"
    sharp = [frame.half_flux_radius_px for frame in story.frames if frame.filter == last.filter]
    assert last.half_flux_radius_px is not None
    assert sharp[0] is not None
    assert last.half_flux_radius_px < 1.3 * sharp[0]
