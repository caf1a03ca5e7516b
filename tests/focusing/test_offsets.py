"""Offsets, learned from curves of rigs whose offsets are known."""

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom.focusing import FocusMeasurement, Offsets, Trust, learn_offsets

TRUE = {"L": 0.0, "R": 22.0, "G": 7.0, "B": -31.0, "Ha": 48.0, "OIII": -12.0, "SII": 55.0}
ZONES = {"L": 33.6, "R": 39.0, "G": 32.6, "B": 27.8, "Ha": 40.0, "OIII": 30.5, "SII": 41.0}
FORTH = list(TRUE)
THERE_AND_BACK = FORTH + FORTH[::-1]


def night(
    order: Sequence[str],
    seed: int = 1,
    *,
    session: str = "a",
    cooling_c_per_h: float = 3.0,
    slope: float = -7.0,
    error: float = 1.0,
    base: float = 10_000.0,
) -> list[FocusMeasurement]:
    """Curves every 80 s through filters while it cools; the probe tells the temperature."""
    rng = np.random.default_rng(seed)
    measurements = []
    for number, name in enumerate(order):
        at_h = number * 80 / 3600
        warm_c = 6.0 - cooling_c_per_h * at_h
        vertex = base + TRUE[name] + slope * warm_c + error * rng.standard_normal()
        measurements.append(FocusMeasurement(session, name, at_h, vertex, error, warm_c))
    return measurements


def off(learned: Offsets, name: str) -> float:
    return learned.offsets[name].steps - (TRUE[name] - TRUE[learned.reference])


@pytest.mark.parametrize("probe", [True, False])
def test_one_measurement_tells_all_seven_filters(probe: bool) -> None:
    """Forth and back, while focus drifts by 7 steps an hour and more, known to the probe or not."""
    measurements = night(THERE_AND_BACK)
    if not probe:
        measurements = [
            FocusMeasurement(s.session, s.filter, s.at_h, s.vertex_steps, 1.0) for s in measurements
        ]
    learned = learn_offsets(measurements, ZONES)
    for name in TRUE:
        assert learned.offsets[name].trust is Trust.GOOD
        assert abs(off(learned, name)) < ZONES[name] / 4
        assert abs(off(learned, name)) <= 2 * learned.offsets[name].error_steps


def test_stated_errors_hold_the_truth() -> None:
    """Of 100 measurements of six offsets, two errors hold at least 95 in 100."""
    held = []
    for seed in range(100):
        learned = learn_offsets(night(THERE_AND_BACK, seed), ZONES)
        held += [
            abs(off(learned, name)) < 2 * one.error_steps
            for name, one in learned.offsets.items()
            if name != learned.reference
        ]
    assert np.mean(held) > 0.95


def test_agrees_with_plain_least_squares() -> None:
    """Without outliers the offsets are those of numpy's least squares without any prior belief."""
    measurements = night(THERE_AND_BACK * 3, cooling_c_per_h=0.0)
    learned = learn_offsets(measurements, ZONES)
    design = np.array([[one.filter == name for name in FORTH] for one in measurements], float)
    plain, *_ = np.linalg.lstsq(design, np.array([one.vertex_steps for one in measurements]))
    for number, name in enumerate(FORTH):
        expected = plain[number] - plain[FORTH.index(learned.reference)]
        assert learned.offsets[name].steps == pytest.approx(expected, abs=0.3)


def test_nights_with_bases_of_their_own_teach_the_slope() -> None:
    """Cooling by 8° in each of four nights, whose bases are far apart."""
    measurements = []
    for number in range(4):
        order = ["L", "R", "L", "B"] * 8
        measurements += night(
            order, number, session=str(number), cooling_c_per_h=12.0, base=9000.0 + 700 * number
        )
    learned = learn_offsets(measurements, ZONES)
    assert learned.slope_known
    assert learned.slope_steps_per_c == pytest.approx(
        -7.0, abs=2 * learned.slope_error_steps_per_c + 0.1
    )


@given(st.integers(0, 13), st.floats(40, 400), st.sampled_from([-1, 1]))
@settings(max_examples=40)
def test_one_wild_curve_moves_no_other_filter(which: int, steps: float, sign: int) -> None:
    """A curve that is wrong by a zone or more leaves the others within a quarter of theirs."""
    measurements = night(THERE_AND_BACK)
    wild = measurements[which]
    measurements[which] = FocusMeasurement(
        wild.session, wild.filter, wild.at_h, wild.vertex_steps + sign * steps, 1.0, 6.0
    )
    learned = learn_offsets(measurements, ZONES)
    for name in TRUE:
        if name != wild.filter and wild.filter != learned.reference:
            assert abs(off(learned, name)) < ZONES[name] / 4


def test_a_curve_in_one_filter_and_a_check_in_another_tell_their_offset() -> None:
    """The difference of the two vertices, with the error of a difference (propagated by hand)."""
    seen = [
        FocusMeasurement("a", "L", 0.0, 10_000.0, 1.0, 6.0),
        FocusMeasurement("a", "B", 0.0, 9_969.0, 3.0, 6.0, check=True),
    ]
    learned = learn_offsets(seen, ZONES)
    blue = learned.offsets["B"]
    unseen = [0.05 * ZONES[name] for name in "LB"]  # that focus moves for reasons nobody knows
    assert blue.steps == pytest.approx(-31.0, abs=0.01)
    assert blue.error_steps == pytest.approx(
        np.hypot(np.hypot(1.0, 3.0), np.hypot(unseen[0], unseen[1])), 0.01
    )
    assert (blue.curves, blue.checks, blue.trust) == (0, 1, Trust.THIN)
    assert (learned.offsets["L"].curves, learned.offsets["L"].checks) == (1, 0)


def test_a_check_of_another_night_says_nothing_of_an_offset() -> None:
    """Its base is not known there, however small its own error."""
    seen = [*night(["L", "L"]), FocusMeasurement("b", "B", 9.0, 9_969.0, 0.5, 6.0, check=True)]
    assert learn_offsets(seen, ZONES).offsets["B"].error_steps == np.inf


def test_checks_weigh_by_their_error() -> None:
    """One that is four times less sure counts a sixteenth: the weighted mean of numpy."""
    found, errors = np.array([9_970.0, 9_966.0]), np.array([1.0, 4.0])
    seen = [FocusMeasurement("a", "L", 0.0, 10_000.0, 1e-3, 6.0)] * 3
    seen += [
        FocusMeasurement("a", "B", 0.0, at, error, 6.0, check=True)
        for at, error in zip(found.tolist(), errors.tolist(), strict=True)
    ]
    learned = learn_offsets(seen, dict.fromkeys("LB", 40.0)).offsets["B"].steps
    weights = np.hypot(errors, 0.05 * 40.0) ** -2  # focus moves for reasons nobody knows
    assert learned == pytest.approx(np.average(found, weights=weights) - 10_000.0, abs=0.05)


def test_unsure_checks_that_scatter_as_they_say_contradict_nothing() -> None:
    """A fifth of a zone each way is what they state; a zone each way is not."""
    zone = ZONES["R"]
    for away, trust in ((zone / 5, Trust.GOOD), (zone, Trust.CONTRADICTORY)):
        seen = [FocusMeasurement("a", "L", n / 10, 10_000.0, 1.0, 6.0) for n in range(12)]
        seen += [
            FocusMeasurement(
                "a", "R", n / 10, 10_022.0 + away * (-1) ** n, zone / 5, 6.0, check=True
            )
            for n in range(12)
        ]
        assert learn_offsets(seen, ZONES).offsets["R"].trust is trust


@pytest.mark.parametrize("jump", [20.0, 33.0, 60.0, -60.0])
@pytest.mark.parametrize("before", [2, 3, 5, 8])
def test_a_jump_of_the_focus_moves_no_offset(jump: float, before: int) -> None:
    """A mirror flops in the middle of a night: R was seen before it only, B after it only."""
    rng = np.random.default_rng(before)
    order = ["L", "R"] * before + ["L", "B"] * (10 - before)
    seen = [
        FocusMeasurement(
            "a",
            name,
            number / 5,
            10_000.0 + TRUE[name] + jump * (number >= 2 * before) + rng.standard_normal(),
            1.0,
            6.0 - number / 20,
            check=number > 0,
        )
        for number, name in enumerate(order)
    ]
    learned = learn_offsets(seen, ZONES)
    for name in "LRB":
        assert learned.offsets[name].trust is Trust.GOOD
        assert abs(off(learned, name)) < 3 * max(learned.offsets[name].error_steps, 0.1)
    assert abs(learned.slope_steps_per_c) < 3 * learned.slope_error_steps_per_c


def test_cooling_is_no_jump() -> None:
    """Fifteen degrees in a night, faster at first, are the slope's to explain."""
    rng, order = np.random.default_rng(4), ["L", "R", "B"] * 10
    seen = []
    for number, name in enumerate(order):
        warm_c = 15.0 * np.exp(-number / 8)
        vertex = 10_000.0 + TRUE[name] - 7.0 * warm_c + rng.standard_normal()
        seen.append(FocusMeasurement("a", name, number / 5, vertex, 1.0, warm_c))
    learned = learn_offsets(seen, ZONES)
    assert learned.slope_steps_per_c == pytest.approx(-7.0, abs=0.3)
    assert learned.slope_error_steps_per_c < 0.3


def test_verdicts() -> None:
    """Thin with one curve, or never seen beside the reference; contradictory when curves differ."""
    measurements = night(["L", "R", "L", "R", "G", "L"]) + night(
        ["B", "B"], session="b", base=12_000
    )
    measurements += [
        FocusMeasurement(
            "a", "Ha", 0.15 + n / 40, 10_000 + 48.0 - 42.0 + 12.0 * (-1) ** n, 1.0, 5.6
        )
        for n in range(4)
    ]
    learned = learn_offsets(measurements, ZONES)
    assert {name: one.trust for name, one in learned.offsets.items()} == {
        "L": Trust.GOOD,
        "R": Trust.GOOD,
        "G": Trust.THIN,
        "B": Trust.THIN,
        "Ha": Trust.CONTRADICTORY,
    }
    assert learned.offsets["B"].error_steps == np.inf
    assert set(learned.good()) == {"L", "R"}


def test_nothing_is_learned_from_nothing() -> None:
    with pytest.raises(ValueError, match="at least one"):
        learn_offsets([], ZONES)
    with pytest.raises(ValueError, match="at least one"):
        learn_offsets(night(["L"]), {"R": 30.0})
