"""Which panel of a mosaic is next, whatever interrupts; and the mosaic in the plan of a night."""

from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.schedule.outlook import outlook
from nightloom.schedule.panels import level, next_panel, visit_cycles
from nightloom.schedule.windows import NightWindows
from nightloom.settings import AskedSub, Settings, Target, panels_of
from schedule.outlooks import ANDROMEDA, settings_of, target

NIGHT = date(2026, 11, 10)
LR = {"L": AskedSub(exposure_s=60.0, share=2), "R": AskedSub(exposure_s=120.0)}


@given(
    st.integers(2, 6),
    st.integers(1, 5),
    st.lists(st.sampled_from(["cycle", "cycle", "cycle", "nothing", "left"]), max_size=120),
)
def test_no_panel_gets_further_ahead_than_a_visit(
    panels: int, visit: int, night: list[str]
) -> None:
    """A cycle is taken or lost, or the mosaic left and come back to: the spread is a visit, and
    who goes on undisturbed is at one panel for a visit at the least.
    """
    levels, running = [0] * panels, None
    taken_here, disturbed = 0, False
    for what in night:
        if what == "left":
            running, disturbed = None, True
        due = next_panel(levels, running, visit)
        if running is not None and due != running:
            assert taken_here >= visit or disturbed
            disturbed = False
        if due != running:
            running, taken_here = due, 0
        assert levels[due] <= min(levels) + visit
        if what == "cycle":
            levels[due] += 1
            taken_here += 1
        assert max(levels) - min(levels) <= visit


@given(st.integers(2, 6), st.integers(1, 5))
def test_undisturbed_all_panels_come_out_even(panels: int, visit: int) -> None:
    """After as many cycles as make three rounds of visits no panel lacks more than one of them."""
    levels, running = [0] * panels, None
    for _ in range(3 * panels * visit):
        running = next_panel(levels, running, visit)
        levels[running] += 1
    assert min(levels) >= 2 * visit


def test_a_panel_that_cannot_be_taken_holds_nobody_up() -> None:
    """The caller leaves it out: the one that is left goes on alone."""
    assert next_panel([7], 0, 2) == 0
    assert next_panel([9, 8], None, 2) == 1


def test_a_level_is_of_whole_cycles_of_what_is_lacking() -> None:
    assert level(LR, {"L": 600.0, "R": 480.0}) == 4
    assert level(LR, {"L": 600.0}) == 0
    assert level({"L": LR["L"]}, {"L": 600.0, "R": 60.0}) == 5


@pytest.mark.parametrize(("visit_s", "cycles"), [(0.0, 1), (240.0, 1), (241.0, 2), (1800.0, 8)])
def test_a_visit_is_whole_cycles(visit_s: float, cycles: int) -> None:
    assert visit_cycles(LR, visit_s) == cycles


def mosaic(*others: Target, **said: Any) -> Settings:
    grid = {"columns": 2, "rows": 2, "field_width_deg": 0.8, "field_height_deg": 0.6}
    asked = target("M31", ANDROMEDA, mosaic=grid, **said)
    settings = settings_of(*others)
    panels = panels_of(asked, settings.observatory)
    return settings_of(*panels, *others)


def nothing(_: str) -> dict[str, float]:
    return {}


def test_the_plan_has_one_mosaic_and_shares_its_time_out_over_the_panels() -> None:
    settings = mosaic(target("one", ANDROMEDA, priority=3))
    night_windows = NightWindows(settings, NIGHT)
    seen = outlook(settings, night_windows, nothing, nothing)
    assert {block.target for block in seen.plan.blocks} == {"M31"}
    gained_s = [one["L"].expected_s for name, one in seen.filters.items() if "panel" in name]
    assert gained_s == pytest.approx([gained_s[0]] * 4)
    assert sum(gained_s) == pytest.approx(sum(block.open_s for block in seen.plan.blocks))
    plain = settings_of(target("M31", ANDROMEDA))
    alone = outlook(plain, NightWindows(plain, NIGHT), nothing, nothing)
    assert sum(gained_s) < alone.filters["M31"]["L"].expected_s, "moves between panels cost"


def test_hours_of_a_night_are_those_of_the_whole_mosaic() -> None:
    settings = mosaic(target("one", ANDROMEDA, priority=3), maximum_hours=2.0)
    seen = outlook(settings, NightWindows(settings, NIGHT), nothing, nothing)
    gained_s = [one["L"].expected_s for name, one in seen.filters.items() if "panel" in name]
    assert sum(gained_s) == pytest.approx(7200.0)


def test_a_mosaic_is_planned_until_each_panel_has_all_that_is_wanted() -> None:
    wants = {"L": {"exposure_s": 120.0, "wanted_hours": 1.0}}
    settings = mosaic(filter=wants)
    night_windows = NightWindows(settings, NIGHT)
    has = {f"M31 panel {number}": {"L": 3600.0} for number in (1, 2, 3)} | {"M31 panel 4": {}}
    plan = night_windows.plan(night_windows.dark.start_unix_s, has.__getitem__, nothing)
    assert sum(block.open_s for block in plan.blocks) == pytest.approx(3600.0)
    assert {block.target for block in plan.blocks} == {"M31"}
