import numpy as np
import pytest

from nightloom_drivers.physics.site import Site
from nightloom_drivers.physics.sky import (
    Sky,
    airmass,
    moonlight_nl,
    nanolamberts,
    twilight_v_mag_per_arcsec2,
    v_mag_per_arcsec2,
)
from nightloom_drivers.rig_settings import AtmosphereSettings, FilterSettings, SiteSettings

from .nights import NOON_S


@pytest.mark.parametrize(
    ("zenith_deg", "expected"),
    [(30, 1.1540), (60, 1.9943), (75, 3.8129), (80, 5.5860), (85, 10.3058)],
)
def test_airmass(zenith_deg: float, expected: float) -> None:
    """Computed from Kasten & Young 1989, Applied Optics 28, 4735."""
    assert airmass(90 - zenith_deg) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(
    ("phase", "apart", "moon_z", "z", "k", "moonlit"),
    [
        (0, 60, 45, 30, 0.172, 18.515),
        (90, 60, 45, 30, 0.172, 21.117),
        (0, 30, 45, 30, 0.172, 17.800),
        (45, 50, 70, 20, 0.15, 19.855),
    ],
)
def test_moonlight(
    phase: float, apart: float, moon_z: float, z: float, k: float, moonlit: float
) -> None:
    """Krisciunas & Schaefer 1991: three computed from it, the last a survey's."""
    light = moonlight_nl(phase, apart, moon_z, z, k)
    assert v_mag_per_arcsec2(light) == pytest.approx(moonlit, abs=0.005)


def test_moon_below_the_horizon_gives_no_light() -> None:
    assert moonlight_nl(0, 60, 95, 30, 0.17) == 0


def test_brightness_units_turn_back() -> None:
    assert v_mag_per_arcsec2(nanolamberts(20.3)) == pytest.approx(20.3)


@pytest.mark.parametrize(("sun_deg", "lux"), [(-6.0, 3.4), (-12.0, 0.008)])
def test_twilight_against_the_light_on_the_ground(sun_deg: float, lux: float) -> None:
    """Illuminance at the ends of civil and nautical twilight (Explanatory Supplement to the
    Astronomical Almanac, chapter on rising and setting; the values from memory). A sky as bright
    everywhere as at the zenith gives π times its luminance, and 10.8e4 cd/m² is magnitude 0 a
    square arcsecond; the glow over the Sun is brighter than the zenith, hence the width.
    """
    even = -2.5 * np.log10(lux / np.pi / 10.8e4)
    assert 0.0 < twilight_v_mag_per_arcsec2(sun_deg) - even < 1.0


def test_twilight_brightens_at_the_rate_that_flats_are_planned_by() -> None:
    """Tyson & Gal 1993, AJ 105, 1206: a factor of 10^0.094 a minute, where the Sun goes 0.21° a
    minute (Las Campanas; the numbers from memory).
    """
    faster, slower = twilight_v_mag_per_arcsec2(-9.0), twilight_v_mag_per_arcsec2(-6.0)
    assert (faster - slower) / 3.0 == pytest.approx(2.5 * 0.094 / 0.21, rel=0.15)


def test_the_twilight_sky_brightens_from_second_to_second() -> None:
    """A step of 20 s would be one of 7 %, which flats would show."""
    site = Site(SiteSettings())
    sky = Sky(AtmosphereSettings(), site, np.random.SeedSequence(1), NOON_S)
    filter_ = FilterSettings(name="L", wavelength_nm=550, band_nm=300)
    dusk_s = NOON_S + next(
        t for t in range(0, 40_000, 10) if site.sun_altitude_deg(NOON_S + t) < -6.0
    )
    mags = [sky.brightness_mag_per_arcsec2(dusk_s + s, filter_, 90.0, 0.0) for s in range(90)]
    steps = np.diff(mags)
    assert steps.min() > 0
    assert steps.max() < 1.1 * steps.mean()


def test_twilight_fades_without_steps() -> None:
    altitudes = np.arange(0.0, -25.0, -0.05)
    mags = [twilight_v_mag_per_arcsec2(float(a)) for a in altitudes]
    steps = np.diff(mags)
    assert np.all(steps > 0)
    assert np.all(steps < 0.1)
    assert mags[-1] > 24


def test_seeing_grows_with_airmass_and_shrinks_with_wavelength() -> None:
    """X^0.6 at 1.9943 is 1.5131, 450 to 656 nm shrinks by 7 %: Kolmogorov theory."""
    site = Site(SiteSettings())
    sky = Sky(AtmosphereSettings(), site, np.random.SeedSequence(1), NOON_S)
    zenith = sky.seeing_fwhm_arcsec(NOON_S, 90, 500)
    assert sky.seeing_fwhm_arcsec(NOON_S, 30, 500) / zenith == pytest.approx(1.5131, abs=2e-3)
    ratio = sky.seeing_fwhm_arcsec(NOON_S, 90, 656) / sky.seeing_fwhm_arcsec(NOON_S, 90, 450)
    assert ratio == pytest.approx(0.93, abs=0.005)


def test_seeing_scatters_as_asked() -> None:
    site = Site(SiteSettings())
    settings = AtmosphereSettings(seeing_fwhm_arcsec=2.0, seeing_log_scatter=0.2)
    sky = Sky(settings, site, np.random.SeedSequence(4), NOON_S)
    times = NOON_S + 3000.0 * np.arange(2000)
    logs = np.log([sky.seeing_fwhm_arcsec(float(t), 90, 500) for t in times])
    assert logs.mean() == pytest.approx(np.log(2.0), abs=0.02)
    assert logs.std() == pytest.approx(0.2, rel=0.06)


def test_dark_sky_has_the_filter_s_brightness_at_the_zenith() -> None:
    site = Site(SiteSettings())
    sky = Sky(AtmosphereSettings(), site, np.random.SeedSequence(1), NOON_S)
    filter_ = FilterSettings(name="V", wavelength_nm=550, band_nm=90, sky_mag_per_arcsec2=21.3)
    # 2026-11-14: the Moon, five days old, has set by midnight
    midnight_s = NOON_S + 12 * 3600
    found = sky.brightness_mag_per_arcsec2(midnight_s, filter_, 90, 0)
    assert found == pytest.approx(21.3, abs=0.02)
    day = sky.brightness_mag_per_arcsec2(NOON_S, filter_, 90, 0)
    assert day == pytest.approx(3.0, abs=0.01)
