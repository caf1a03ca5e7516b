"""Where best focus lies, by curves, looks and subs: the filter's beliefs, on made-up sizes."""

from dataclasses import replace
from math import exp, log, pi, sin, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from focusing.star_sizes import SPACING_S, Air, Night
from focusing.watched import STEEPNESS, watch_night
from nightloom.focusing import BestFocus, SubSize, critical_focus_zone_um
from nightloom.focusing.best_focus import CURVATURE
from nightloom.focusing.shape import BLURRED_DISK

HOUR = 3600.0
PLACE = 300.0
ERRORS = {"L": 0.15, "R": 0.15, "B": 0.15}


def after_a_curve(rate: float = 1.0, at_s: float = 0.0) -> BestFocus:
    """Best focus of L was found at PLACE."""
    begun = BestFocus.begun(at_s, ERRORS, rate).assumed("L", PLACE - 2.0)
    return begun.curved(at_s, "L", PLACE, 0.02, STEEPNESS)


def radius_px(position: float, best: float) -> float:
    """Half-flux radius of stars of 1.3 px in focus, as the blurred disk has it."""
    return 1.3 * float(BLURRED_DISK.growth(np.array(STEEPNESS * (position - best))))


def swayed(best: BestFocus, true: float, count: int, names: str = "L") -> BestFocus:
    """Subs by turns either side, with nothing but focus to make stars larger."""
    for number in range(count):
        at_s = best.at_s + SPACING_S
        name = names[number % len(names)]
        side = 1 if number // len(names) % 2 else -1
        position = best.place(name, at_s) + side * best.sway(at_s, 0.01)
        best, _ = best.saw(SubSize(at_s, name, radius_px(position, true), 1.0, position, 0.7))
    return best


def test_nothing_is_known_before_a_look() -> None:
    begun = BestFocus.begun(0.0, ERRORS, 1.0)
    assert not begun.known
    assert begun.off(0.0) > 10.0
    assert begun.sway(0.0, 0.01) == 0.0, "how fast stars grow is not known either"
    assert begun.assumed("R", 7.0).place("R", 0.0) == pytest.approx(7.0)


def test_a_curve_is_right_whatever_was_believed() -> None:
    best = after_a_curve()
    assert best.place("L", 0.0) == pytest.approx(PLACE, abs=1e-3)
    again = best.curved(HOUR, "L", PLACE + 3.0, 0.02, STEEPNESS)
    assert again.place("L", HOUR) == pytest.approx(PLACE + 3.0, abs=0.01)
    assert again.place("R", HOUR) == pytest.approx(PLACE + 3.0, abs=0.01), "all filters follow"


def test_without_subs_a_look_is_due_as_soon_as_focus_may_have_drifted_far() -> None:
    """A zone an hour: 0.4 zones after 24 minutes, by nothing but the rate believed in."""
    best = after_a_curve(rate=1.0)
    assert best.off(0.33 * HOUR) < 0.4 < best.off(0.5 * HOUR)
    steady = after_a_curve(rate=0.0)
    assert steady.off(8 * HOUR) < 0.1


@pytest.mark.parametrize("shift", [-0.3, -0.1, 0.0, 0.1, 0.3])
def test_subs_tell_where_best_focus_is(shift: float) -> None:
    told = swayed(after_a_curve(), PLACE + shift, 40)
    assert told.place("L", told.at_s) == pytest.approx(PLACE + shift, abs=0.07)
    assert told.off(told.at_s) < 0.12


def test_what_the_sway_costs() -> None:
    """At most a hundredth of a star's size while little is known, and a third of that later."""
    best = after_a_curve().disturbed(0.3)
    assert best.growth_at(best.sway(0.0, 0.05)) == pytest.approx(0.01)
    known = swayed(after_a_curve(), PLACE, 40)
    sway = known.sway(known.at_s, 0.05)
    assert known.growth_at(sway) == pytest.approx(0.003)
    assert float(BLURRED_DISK.growth(np.array(STEEPNESS * sway))) == pytest.approx(1.003, abs=2e-4)
    assert known.growth_at(known.sway(known.at_s, 0.001)) == pytest.approx(0.001), "as asked"


def test_the_sway_is_a_fraction_of_the_critical_focus_zone() -> None:
    """4.88 λ N² at 550 nm and f/5 is 67.1 µm; the sway stays within a fifth of it either way."""
    assert critical_focus_zone_um(550.0, 5.0) == pytest.approx(67.1, abs=0.05)
    assert 0.05 < after_a_curve().disturbed(0.3).sway(0.0, 0.01) < 0.2


def test_a_look_is_weighed_against_what_the_subs_said() -> None:
    told = swayed(after_a_curve(), PLACE, 40)
    looked = told.looked(told.at_s, "L", PLACE + 0.1, 0.1)
    assert PLACE < looked.place("L", told.at_s) < PLACE + 0.09
    assert looked.off(told.at_s) < told.off(told.at_s)


def test_a_look_that_finds_a_jump_is_believed_and_moves_all_filters() -> None:
    told = swayed(after_a_curve(), PLACE, 48, "LRB")
    jumped = told.looked(told.at_s, "R", PLACE + 1.5, 0.1)
    for name in ERRORS:
        assert jumped.place(name, told.at_s) == pytest.approx(PLACE + 1.5, abs=0.15)


def test_a_filter_that_nothing_told_of_yet_is_wrong_by_itself() -> None:
    """Its offset was: the others stay where they were seen to be."""
    told = swayed(after_a_curve(), PLACE, 20)
    found = told.looked(told.at_s, "R", PLACE + 1.8, 0.1)
    assert found.place("R", told.at_s) == pytest.approx(PLACE + 1.8, abs=0.05)
    assert found.place("L", told.at_s) == pytest.approx(PLACE, abs=0.1)


def test_a_filters_own_offset_is_told_by_its_subs() -> None:
    best = after_a_curve()
    for number in range(120):
        at_s, name = best.at_s + SPACING_S, "LRB"[number % 3]
        true = PLACE + {"L": 0.0, "R": 0.2, "B": -0.15}[name]
        side = 1 if number // 3 % 2 else -1
        position = best.place(name, at_s) + side * best.sway(at_s, 0.01)
        best, _ = best.saw(SubSize(at_s, name, radius_px(position, true), 1.0, position, 0.7))
    for name, shift in {"L": 0.0, "R": 0.2, "B": -0.15}.items():
        assert best.place(name, best.at_s) == pytest.approx(PLACE + shift, abs=0.07)


def test_a_sub_from_before_a_jump_was_seen_says_nothing() -> None:
    best = after_a_curve(at_s=HOUR)
    late = SubSize(HOUR - 10.0, "L", 2.6, 1.0, PLACE, 0.7)
    assert best.saw(late)[0] is best


def test_turning_the_telescope_leaves_focus_open() -> None:
    best = swayed(after_a_curve(), PLACE, 40)
    assert best.disturbed(0.35).off(best.at_s) == pytest.approx(
        sqrt(best.off(best.at_s) ** 2 + 0.35**2)
    )


@given(
    st.lists(
        st.tuples(st.floats(0.3, 30.0), st.floats(0.3, 5.0), st.sampled_from("LRB"),
                  st.floats(-1.0, 1.0)),
        max_size=40,
    )
)  # fmt: skip
def test_any_sizes_leave_a_belief_that_is_one(sizes: list[tuple[float, float, str, float]]) -> None:
    """Finite, with variances that are none below zero, and never surer than looks are."""
    best = after_a_curve()
    for radius, width_px, name, away in sizes:
        sub = SubSize(best.at_s + 60.0, name, radius, 1.2, PLACE + away, width_px)
        best, surprise = best.saw(sub)
        assert np.isfinite([surprise.growth, surprise.standard, *best.mean]).all()
        assert np.linalg.eigvalsh(best.covariance).min() > -1e-6
        assert best.off(best.at_s + 60.0) > 0.0


def test_a_linear_step_is_gaussian_conditioning() -> None:
    """Against the textbook: the mean and covariance of a normal vector, given a linear function of
    it with noise (Rasmussen & Williams 2006, appendix A.2), by solving the joint system.
    """
    best = swayed(after_a_curve(), PLACE, 10, "LRB")
    row = best.row("R")
    noise, found = 0.1**2 + 0.06**2, PLACE + 0.05
    joint = np.block([
        [best.covariance, (best.covariance @ row)[:, None]],
        [(row @ best.covariance)[None, :], np.array([[row @ best.covariance @ row + noise]])],
    ])  # fmt: skip
    count = len(best.mean)
    to = np.linalg.solve(joint[count:, count:], joint[count:, :count]).T
    mean = best.mean + (to @ np.array([found - row @ best.mean])).ravel()
    covariance = joint[:count, :count] - to @ joint[count:, :count]
    looked = best.looked(best.at_s, "R", found, 0.1)
    np.testing.assert_allclose(looked.mean, mean, atol=1e-9)
    np.testing.assert_allclose(looked.covariance, covariance, atol=1e-9)


def test_curvature_is_the_blurred_disks() -> None:
    """Ln growth at 0.1 of the unit in which the far curve rises by one focused radius."""
    assert log(float(BLURRED_DISK.growth(np.array(0.1)))) == pytest.approx(
        CURVATURE * 0.01, rel=0.02
    )


@pytest.mark.parametrize("guided", [True, False])
def test_subs_keep_the_focus_without_looks_while_it_wanders(guided: bool) -> None:
    """A third of a zone either way within five hours; 95 of a hundred subs within the promise."""

    def wander(at_s: float) -> float:
        return 11.0 * sin(2.0 * pi * at_s / (5.0 * HOUR))

    nights = [watch_night(Night(seed, Air(), guided, wander, hours=6.0)) for seed in range(4)]
    growths = np.concatenate([night.growths for night in nights])
    assert np.median(growths) < (0.01 if guided else 0.02)
    assert np.quantile(growths, 0.95) < (0.06 if guided else 0.15)
    assert sum(len(night.looks_s) for night in nights) <= 12


def test_sizes_in_another_scale_say_the_same() -> None:
    """All stars twice as large, in every sub: a level, and nothing else."""
    one, other = after_a_curve(), after_a_curve()
    generator = np.random.default_rng(5)
    for number in range(30):
        at_s, side = number * SPACING_S + SPACING_S, 1 if number % 2 else -1
        position = PLACE + 0.1 * side
        radius = radius_px(position, PLACE + 0.1) * exp(0.02 * generator.standard_normal())
        sub = SubSize(at_s, "L", radius, 1.0, position, 0.7)
        one, _ = one.saw(sub)
        other, _ = other.saw(replace(sub, radius_px=2.0 * radius))
    assert other.place("L", one.at_s) == pytest.approx(one.place("L", one.at_s), abs=0.02)
