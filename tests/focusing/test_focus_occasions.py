"""What asks for a look at the focus besides the stars: targets, crossings, age, temperature."""

from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pytest

from night.nights import demo
from nightloom.focusing import BLURRED_DISK
from nightloom.focusing.watching import FocusWatch
from nightloom_drivers.devices import Focuser

BEGIN_S = 1_794_000_000.0
PLACE_STEPS = 10_060.0


@dataclass
class Bench:
    """A clock and a focuser's probe that are set by hand."""

    at_s: float = BEGIN_S
    temperature_c: float | None = 6.0

    def unix_s(self) -> float:
        return self.at_s


def watching(**policy: Any) -> tuple[Bench, FocusWatch]:
    """A watch after a good curve, with nothing but occasions to ask for a look."""
    bench = Bench()
    settings, _ = demo(policies={"focus": {"drift_zones_per_h": 0.0, **policy}})
    watch = FocusWatch(cast(Focuser, bench), settings, cast(Any, bench))
    look(watch, curve=True)
    return bench, watch


def look(watch: FocusWatch, *, curve: bool) -> None:
    if curve:
        watch.curved("L", PLACE_STEPS, 1.0, radius_px=1.3, slope_px_per_step=0.038)
    else:
        watch.looked("L", PLACE_STEPS, 1.0)


def test_the_first_look_of_a_night_is_a_curve() -> None:
    bench = Bench()
    watch = FocusWatch(cast(Focuser, bench), demo()[0], cast(Any, bench))
    assert watch.due() == "", "nothing began yet"
    watch.turned("a new target")
    assert watch.due() == "a new target"
    assert watch.curve_due()
    look(watch, curve=True)
    assert watch.due() == ""
    assert not watch.curve_due()


def test_a_look_that_costs_no_time_is_taken_unless_one_is_fresh() -> None:
    bench, watch = watching(minimum_interval_s=900.0)
    bench.at_s += 890.0
    assert watch.due("the meridian is waited for") == ""
    bench.at_s += 20.0
    assert watch.due("the meridian is waited for") == "the meridian is waited for"
    assert watch.due() == "", "nothing else asks"


@pytest.mark.parametrize(("zones", "asks"), [(0.35, False), (0.5, True)])
def test_turning_the_telescope_asks_where_its_weight_may_move_much(
    zones: float, asks: bool
) -> None:
    bench, watch = watching(turning_zones=zones)
    bench.at_s += 1800.0
    watch.turned("the meridian was passed")
    assert watch.due() == ("the meridian was passed" if asks else "")
    look(watch, curve=False)
    assert watch.due() == ""


def test_two_turns_leave_more_open_than_one() -> None:
    bench, watch = watching(turning_zones=0.35)
    bench.at_s += 1800.0
    watch.turned("a new target")
    watch.turned("the meridian was passed")
    assert watch.due() == "the meridian was passed"


def test_subs_are_taken_on_either_side_by_turns() -> None:
    """Each filter's own; short ones stay on a side for a minute."""
    bench, watch = watching()
    sides = []
    for number in range(8):
        name = "LR"[number % 2]
        sides.append(watch.sway_steps(name))
        watch.sub_begins(f"{number}", name, 120.0, PLACE_STEPS + sides[-1])
        bench.at_s += 122.0
    assert sides[::2] == [sides[0], -sides[0]] * 2
    assert sides[1::2] == [sides[1], -sides[1]] * 2
    assert sides[0] == -sides[1] != 0
    short = []
    for number in range(13):
        short.append(watch.sway_steps("G"))
        watch.sub_begins(f"short {number}", "G", 10.0, PLACE_STEPS + short[-1])
        bench.at_s += 10.0
    assert short == [short[0]] * 6 + [-short[0]] * 6 + [short[0]]


def test_no_sway_where_the_focusers_steps_are_coarse_or_nobody_wants_it() -> None:
    _, watch = watching(sway_growth_percent=0.0)
    assert watch.sway_steps("L") == 0
    watch = watching()[1]
    watch.curved("L", PLACE_STEPS, 1.0, radius_px=1.3, slope_px_per_step=0.7)
    assert watch.sway_steps("L") == 0, "one step makes stars a tenth larger"


@pytest.mark.parametrize("slope_px_per_step", [0.01, 0.02, 0.05, 0.1, 0.12, 0.15, 0.2, 0.4])
def test_no_sway_makes_stars_larger_than_is_borne(slope_px_per_step: float) -> None:
    """Half a hundredth, whatever a step is worth: by the blurred disk, of stars of 1.3 px."""
    watch = watching(sway_growth_percent=0.5)[1]
    watch.curved("L", PLACE_STEPS, 1.0, radius_px=1.3, slope_px_per_step=slope_px_per_step)
    away = np.array(slope_px_per_step * watch.sway_steps("L") / 1.3)
    assert float(BLURRED_DISK.growth(away)) <= 1.0051


def test_subs_on_one_side_that_are_larger_move_the_focus_to_the_other() -> None:
    """As cancelled and unmeasured subs do not: they are forgotten."""
    bench, watch = watching(drift_zones_per_h=1.0)
    for number in range(30):
        sway = watch.sway_steps("L")
        watch.sub_begins(f"{number}", "L", 120.0, PLACE_STEPS + sway)
        began_s = bench.at_s
        bench.at_s += 122.0
        if number % 5:
            radius_px = 1.3 * (1.03 if sway > 0 else 1.0)
            assert watch.sub(f"{number}", radius_px, 1.1, began_s, 120.0)
    assert watch.place_steps("L") < PLACE_STEPS - 3.0
    assert watch.place_steps("R") < PLACE_STEPS - 3.0
    assert not watch.sub("of another night", 9.0, 1.1, began_s, 120.0)


def test_what_is_expected_asks_however_fresh_a_look_is_and_once() -> None:
    bench, watch = watching()
    watch.expect("the meridian was passed")
    bench.at_s += 1.0
    assert watch.due() == "the meridian was passed"
    look(watch, curve=False)
    assert watch.due() == ""


@pytest.mark.parametrize("change_c", [2.1, -2.1])
def test_a_large_change_of_temperature_asks_for_a_check(change_c: float) -> None:
    bench, watch = watching(temperature_change_c=2.0)
    assert bench.temperature_c is not None
    bench.at_s += 1000.0
    bench.temperature_c += 0.9 * change_c
    assert watch.due() == ""
    bench.temperature_c += 0.1 * change_c
    assert watch.due() == f"the temperature changed by {change_c:+.1f} °C"
    assert not watch.curve_due()
    look(watch, curve=False)
    assert watch.due() == "", "counted from the last look on"
    bench.at_s += 1000.0
    bench.temperature_c = None
    assert watch.due() == "", "a probe that fell silent asks for nothing"


def test_an_age_that_was_set_asks_for_a_whole_curve() -> None:
    """Checks in between do not make the curve younger; without the setting no age does."""
    bench, watch = watching(refocus_after_s=3600.0)
    bench.at_s += 1800.0
    look(watch, curve=False)
    assert (watch.due(), watch.curve_due()) == ("", False)
    bench.at_s += 1801.0
    assert watch.due() == "the last curve is 60 min old"
    assert watch.curve_due()

    bench, watch = watching()
    bench.at_s += 6 * 3600.0
    assert (watch.due(), watch.curve_due()) == ("", False)
