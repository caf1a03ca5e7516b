"""The Sun's light in the sky by night, against published figures."""

import numpy as np
import pytest

from nightloom.sky import twilight_nl


@pytest.mark.parametrize(("down_deg", "magnitude"), [(5.0, 11.84), (10.0, 18.005), (15.0, 21.32)])
def test_the_zenith_in_twilight(down_deg: float, magnitude: float) -> None:
    """V = 11.84 + 1.518 x - 0.057 x² (Patat et al. 2006, A&A 455, 385; from memory)."""
    v = (20.7233 - np.log(twilight_nl(-down_deg) / 34.08)) / 0.92104
    assert float(v) == pytest.approx(magnitude, abs=1e-3)


def test_it_ends_with_astronomical_twilight_and_never_grows_on_the_way() -> None:
    """With the Sun 18° down (Explanatory Supplement to the Astronomical Almanac)."""
    light = twilight_nl(-np.linspace(5.0, 20.0, 100))
    assert twilight_nl([-18.0, -25.0]).tolist() == [0.0, 0.0]
    assert np.all(np.diff(light) <= 0)
    assert np.isnan(twilight_nl(np.nan))
