"""What gaps cost, by the configuration and by the running rig, and the weave that follows."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from night.nights import demo
from nightloom.cycle import Cycle, GapCosts, Share
from nightloom.ledger import ENOUGH, FILE_NAME, Duration, Ledger, Part, running_figures
from nightloom.ledger.running import running
from nightloom.schedule.costs import Stopwatch, Weaving, costs_of
from nightloom.settings import Settings
from nightloom.telemetry.events import Dithered, FilterChanged, SubBegun, SubEnded

DUSK = datetime(2026, 11, 14, 18, tzinfo=UTC)
CYCLE = Cycle((Share("L", 1, 60), Share("R", 1, 60), Share("G", 1, 60), Share("B", 1, 60)))


def settings_with(**costs: Any) -> Settings:
    """The demo observatory with other costs; its slots hold L R G B Ha OIII SII."""
    settings, _ = demo()
    observatory = settings.observatory
    told = observatory.model_copy(update={"costs": observatory.costs.model_copy(update=costs)})
    return replace(settings, observatory=told)


def times(part: Part, took_s: float, count: int, *pair: str) -> list[Duration]:
    return [Duration(part, took_s, DUSK + timedelta(minutes=n), *pair) for n in range(count)]


def test_one_time_for_all_changes_stays_one() -> None:
    settings = settings_with(download_s=1.0, wheel_change_s=2.0, dither_s=12.0)
    assert costs_of(settings) == GapCosts(1.0, 2.0, 12.0)


def test_changes_are_reckoned_by_slots_and_focus_steps() -> None:
    """The wheel of seven slots turns the shorter way, and the focuser takes up its backlash.

    From L to B: three slots of 1 s; 30 steps inward at 100 a second, with half as much again as
    the backlash of 80 steps there and back, is (30 + 2 · 120) / 100 = 2.7 s. From B to R it is
    51 steps outward: 0.51 s, and two slots.
    """
    costs = costs_of(settings_with(wheel_slot_s=1.0, focuser_steps_per_s=100.0))
    assert costs.changing_s("L", "B") == 3.0
    assert costs.changing_s("B", "R") == 2.0
    assert costs.changing_s("L", "SII") == 1.0
    slow = costs_of(settings_with(wheel_slot_s=0.1, focuser_steps_per_s=100.0))
    assert slow.changing_s("L", "B") == pytest.approx(2.7)
    assert slow.changing_s("B", "R") == pytest.approx(0.51)


def test_a_wheel_that_turns_one_way_goes_round() -> None:
    costs = costs_of(settings_with(wheel_slot_s=1.0, wheel_one_way=True))
    assert costs.changing_s("R", "L") == 6.0


def test_measured_times_replace_configured_ones_where_there_are_enough() -> None:
    settings = settings_with(download_s=1.0, wheel_change_s=2.0, dither_s=12.0)
    figures = running(
        times(Part.DITHER, 9.04, ENOUGH)
        + times(Part.DOWNLOAD, 5.0, ENOUGH - 1)
        + times(Part.CHANGE, 3.3, ENOUGH, "L", "R")
        + times(Part.CHANGE, 8.0, ENOUGH - 1, "R", "L")
    )
    costs = costs_of(settings, figures)
    assert (costs.download_s, costs.dither_s) == (1.0, 9.0)
    assert costs.changing_s("L", "R") == 3.3
    assert costs.changing_s("R", "L") == 2.0


def test_a_filter_that_left_the_wheel_is_forgotten() -> None:
    figures = running(times(Part.CHANGE, 3.3, ENOUGH, "L", "old"))
    assert costs_of(settings_with(wheel_change_s=2.0), figures).change_s == 2.0


def test_the_stopwatch_takes_times_from_events(tmp_path: Path) -> None:
    """A focus offset without a change of filter, and the first filter of a night, are none."""
    with Ledger(tmp_path / FILE_NAME) as ledger:
        watch = Stopwatch(ledger)
        for event in (
            FilterChanged(before="", after="L", focuser_steps=1, took_s=9.0),
            FilterChanged(before="L", after="L", focuser_steps=2, took_s=8.0),
            FilterChanged(before="L", after="R", focuser_steps=3, took_s=2.5),
            Dithered(target="M81", number=2, dx_px=1.0, dy_px=2.0, settle_s=11.0),
            SubBegun(target="M81", filter="R", exposure_s=60.0, uid="f1", cycle=1),
            SubEnded(uid="f1", target="M31", filter="L", exposure_s=120.0, download_s=1.2),
        ):
            watch.observe(DUSK, event)
        assert ledger.durations(latest=9) == [
            Duration(Part.CHANGE, 2.5, DUSK, "L", "R"),
            Duration(Part.DITHER, 11.0, DUSK),
            Duration(Part.DOWNLOAD, 1.2, DUSK),
        ]


def enter(ledger: Ledger, durations: list[Duration]) -> None:
    for one in durations:
        ledger.add_duration(one)


def test_a_running_night_weaves_anew_when_a_cycle_begins(tmp_path: Path) -> None:
    """L to R and G to B turn out to be slow: the next cycle goes another way round."""
    settings = settings_with(download_s=1.0, wheel_change_s=2.0, dither_s=12.0)
    with Ledger(tmp_path / FILE_NAME) as ledger:
        weaving = Weaving(settings, ledger)
        before = weaving.weave(CYCLE, 1)
        assert before.order == ("L", "R", "G", "B")
        for pair in (("L", "R"), ("G", "B")):
            enter(ledger, times(Part.CHANGE, 9.0, ENOUGH, *pair))
        assert weaving.weave(CYCLE, 1) is before, "not in the middle of a cycle"
        after = weaving.weave(CYCLE, 2)
        follows = list(zip(after.order, after.order[1:], strict=False))
        assert ("L", "R") not in follows
        assert ("G", "B") not in follows
        assert after.cost_s == 3 * 2.0 + 12.0


def test_a_saving_of_no_account_changes_no_order(tmp_path: Path) -> None:
    settings = settings_with(download_s=1.0, wheel_change_s=2.0, dither_s=12.0)
    with Ledger(tmp_path / FILE_NAME) as ledger:
        weaving = Weaving(settings, ledger)
        before = weaving.weave(CYCLE, 1)
        enter(ledger, times(Part.CHANGE, 2.3, ENOUGH, "L", "R"))
        assert weaving.weave(CYCLE, 2) is before


def test_what_earlier_nights_measured_counts_from_the_first_cycle(tmp_path: Path) -> None:
    with Ledger(tmp_path / FILE_NAME) as ledger:
        enter(ledger, times(Part.DITHER, 20.0, ENOUGH))
        assert Weaving(settings_with(dither_s=12.0), ledger).costs.dither_s == 20.0
        assert running_figures(ledger)[Part.DITHER, "", ""].count == ENOUGH
