"""Whether filters saw the same sky, on skies whose answer is known."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.report.records import Exposure, Fate
from nightloom.report.same_sky import Spread, spreads
from nightloom.sky import Interval

SUB_S = 120.0


def night(
    order: str, sky: Callable[[float], float], levels: dict[str, float] | None = None
) -> list[Exposure]:
    """One sub after another in this order of filters; the sky's course is of the night's part."""
    subs = []
    for number, name in enumerate(order):
        span = Interval(SUB_S * number, SUB_S * (number + 1))
        part = (number + 0.5) / len(order)
        size = sky(part) * (levels or {}).get(name, 1.0)
        subs.append(
            Exposure(
                str(number), "target", name, SUB_S, span, Fate.KEPT,
                half_flux_radius_px=size, airmass=sky(part),
            )
        )  # fmt: skip
    return subs


def of(found: list[Spread], name: str) -> Spread:
    return next(one for one in found if one.quantity.name == name)


def test_a_steady_rise_parts_blocks_by_what_lies_between_their_middles() -> None:
    """Airmass from 1 to 2 over four filters: the middles of the blocks are 0.75 apart; woven, the
    first and the last of a cycle of 4 out of 80 subs are 3/80 apart.
    """
    found = of(spreads(night("LRGB" * 20, lambda part: 1.0 + part), "LRGB"), "airmass")
    assert found.blocks == pytest.approx(0.75, abs=1e-9)
    assert found.woven == pytest.approx(3.0 / 80.0, abs=1e-9)


def test_blocks_are_as_long_as_their_filters_seconds() -> None:
    """L has half of the time: its middle is at 1/4, those of R, G and B at 7/12, 9/12 and 11/12."""
    found = of(spreads(night("LRLGLB" * 12, lambda part: 1.0 + part), "LRGB"), "airmass")
    assert found.blocks == pytest.approx(11.0 / 12.0 - 1.0 / 4.0, abs=1e-9)


@given(st.floats(0.5, 2.0), st.floats(0.5, 2.0))
def test_a_filters_own_level_is_no_difference(red: float, blue: float) -> None:
    """A woven night under a steady sky shows none, whatever the filters' own star sizes."""
    found = spreads(night("LRB" * 12, lambda _: 2.0, {"R": red, "B": blue}), "LRB")
    size = of(found, "star size")
    assert size.woven == pytest.approx(0.0, abs=1e-6)
    assert size.blocks == pytest.approx(0.0, abs=1e-6)


def test_levels_do_not_hide_what_blocks_would_have_met() -> None:
    """Seeing that worsens by a fifth over the night, and a filter whose stars are larger anyway."""
    subs = night("LRB" * 20, lambda part: 2.0 * 1.2**part, {"B": 1.3})
    size = of(spreads(subs, "LRB"), "star size")
    assert size.blocks == pytest.approx(1.2 ** (2.0 / 3.0) - 1.0, rel=0.03)
    assert size.woven < 0.1 * size.blocks


def test_noise_is_not_taken_for_a_difference() -> None:
    chance = np.random.default_rng(5)
    noisy = night("LRGB" * 30, lambda _: 2.0 * float(np.exp(chance.normal(0.0, 0.05))))
    assert of(spreads(noisy, "LRGB"), "star size").woven < 0.005


def test_few_subs_or_one_filter_show_nothing() -> None:
    assert spreads(night("LRGB", lambda _: 2.0), "LRGB") == []
    assert spreads(night("L" * 20, lambda _: 2.0), "L") == []
