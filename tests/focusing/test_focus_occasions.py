"""What asks for a look at the focus besides the stars: targets, crossings, age, temperature."""

from dataclasses import dataclass
from typing import Any, cast

import pytest

from night.nights import demo
from nightloom.focusing.watching import FocusWatch
from nightloom_drivers.devices import Focuser

BEGIN_S = 1_794_000_000.0


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
    watch.looked(moved=curve, curve=curve, found_steps=0.0, error_steps=1.0, left_steps=0.0)


def test_the_first_look_of_a_night_is_a_curve() -> None:
    bench = Bench()
    watch = FocusWatch(cast(Focuser, bench), demo()[0], cast(Any, bench))
    assert watch.due("a new target") == "a new target"
    assert watch.curve_due()
    look(watch, curve=True)
    assert not watch.curve_due()


def test_a_new_target_asks_unless_a_look_is_fresh() -> None:
    bench, watch = watching(minimum_interval_s=900.0)
    bench.at_s += 890.0
    assert watch.due("a new target") == ""
    bench.at_s += 20.0
    assert watch.due("a new target") == "a new target"
    assert watch.due() == "", "nothing else asks"


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
    bench.temperature_c += 0.9 * change_c
    assert watch.due() == ""
    bench.temperature_c += 0.1 * change_c
    assert watch.due() == f"the temperature changed by {change_c:+.1f} °C"
    assert not watch.curve_due()
    look(watch, curve=False)
    assert watch.due() == "", "counted from the last look on"
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
