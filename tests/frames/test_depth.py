"""What a sub is worth, against signal and noise measured by photutils on drawn stars."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from photutils.aperture import CircularAperture, aperture_photometry

from frames.rendering import FWHM_PER_SIGMA, place
from nightloom.frames import measure
from nightloom.frames.depth import ClearDark, DepthFacts, clear_dark, starlight, worth_s

SHAPE = (480, 640)
SIDE_PX = 32
FLUX_ADU = 2500.0
CLEAR = {"through": 1.0, "sky_adu": 900.0, "fwhm_px": 3.0}


def frame(
    through: float, sky_adu: float, fwhm_px: float, seed: int, flux_adu: float = FLUX_ADU
) -> NDArray[np.uint16]:
    """Stars of one light over a sky, an electron for each ADU, all of it photon noise."""
    x, y = grid()
    image = np.full(SHAPE, sky_adu)
    place(image, x, y, np.full(len(x), flux_adu * through), fwhm_px=fwhm_px)
    noisy = np.random.default_rng(seed).poisson(image)
    return np.asarray(noisy, np.uint16)


def grid() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    y, x = np.mgrid[SIDE_PX // 2 : SHAPE[0] : SIDE_PX, SIDE_PX // 2 : SHAPE[1] : SIDE_PX]
    return x.ravel().astype(float), y.ravel().astype(float)


def signal_to_noise_squared(through: float, sky_adu: float, fwhm_px: float) -> float:
    """(S/N)² of a faint star in the aperture that is best for a Gaussian over a bright sky, 1.585 σ
    (where the derivative of (1 − exp(−r²/2σ²))²/r² is nought): S by the stars of four frames, N by
    as many empty places between them.
    """
    x, y = grid()
    inside = (x < SHAPE[1] - SIDE_PX) & (y < SHAPE[0] - SIDE_PX)
    x, y = x[inside], y[inside]
    radius_px, half = 1.585 * fwhm_px / FWHM_PER_SIGMA, SIDE_PX / 2
    signals: list[NDArray[np.float64]] = []
    squares: list[NDArray[np.float64]] = []
    for seed in range(4):
        image = frame(through, sky_adu, fwhm_px, seed)
        for dx, dy in ((0.0, 0.0), (half, 0.0), (0.0, half), (half, half)):
            aperture = CircularAperture(np.column_stack([x + dx, y + dy]), radius_px)
            told = aperture_photometry(image - sky_adu, aperture)["aperture_sum"]
            (squares if dx or dy else signals).append(np.asarray(told, float))
    return float(np.mean(signals)) ** 2 / float(np.var(np.concatenate(squares)))


def measured(through: float, sky_adu: float, fwhm_px: float) -> DepthFacts:
    """What the night measures, by stars that are bright enough to be sized."""
    image = frame(through, sky_adu, fwhm_px, 20, FLUX_ADU * 40)
    seen = measure(image, saturation_adu=60_000)
    return DepthFacts(120.0, through, seen.noise_adu, seen.half_flux_radius_px)


@pytest.mark.parametrize(
    "changed",
    [
        pytest.param({"through": 0.8}, id="haze", marks=pytest.mark.long),
        pytest.param({"sky_adu": 2700.0}, id="bright sky"),
        pytest.param({"fwhm_px": 4.5}, id="bad seeing", marks=pytest.mark.long),
        pytest.param({"through": 0.9, "fwhm_px": 4.0}, id="haze and seeing"),
    ],
)
def test_worth_is_the_ratio_of_signal_to_noise_squared(changed: dict[str, float]) -> None:
    """Howell 2006, Handbook of CCD Astronomy, section 4.4, for a star that the sky outshines."""
    told = CLEAR | changed
    dark = clear_dark([measured(**CLEAR)])
    assert dark is not None
    worth = worth_s(measured(**told), dark) / 120.0
    gained = signal_to_noise_squared(**told) / signal_to_noise_squared(**CLEAR)
    assert worth == pytest.approx(gained, rel=0.1)


def test_by_hand_from_the_ccd_equation() -> None:
    """S = 100 e on 10 px of N² = 1000 e: 1.0. Half the light on four times the sky: 1/16."""
    night = ClearDark(1000.0 / 100.0, 9.0)
    assert worth_s(DepthFacts(100.0, 1.0, math.sqrt(1000.0), 3.0), night) == pytest.approx(100.0)
    dim = DepthFacts(100.0, 0.5, math.sqrt(4000.0), 3.0)
    assert worth_s(dim, night) == pytest.approx(100.0 * 0.5**2 / 4)


def test_air_takes_light_by_its_thickness() -> None:
    """Bouguer's law: 0.2 magnitudes at two airmasses."""
    assert starlight(0.9, 2.0, 0.2) == pytest.approx(0.9 * 10 ** (-0.4 * 0.2))
    assert starlight(0.9, 1.0, 0.2) == pytest.approx(0.9)


POSITIVE = st.floats(0.1, 1e4)


@given(st.lists(st.tuples(POSITIVE, st.floats(0.05, 1.1), POSITIVE, POSITIVE), min_size=1))
def test_no_sub_is_worth_more_than_its_seconds(
    shown: list[tuple[float, float, float, float]],
) -> None:
    subs = [DepthFacts(*one) for one in shown]
    night = clear_dark(subs)
    assert night is not None
    assert all(0 < worth_s(one, night) <= one.exposure_s for one in subs)


def test_two_slips_make_no_clear_dark_night() -> None:
    usual = [DepthFacts(100.0, 1.0, 30.0, 3.0)] * 20
    slips = [DepthFacts(100.0, 1.0, 3.0, 0.3)] * 2
    assert clear_dark([*usual, *slips]) == clear_dark(usual)
    assert clear_dark([]) is None
