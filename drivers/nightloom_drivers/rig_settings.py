"""Every number of the simulated rig, its site and its sky, with its unit in its name.

`RigSettings()` is a working rig: a 106 mm f/5 refractor on a German equatorial mount, a small
monochrome sensor of 1024 × 768 pixels of 3.76 µm (1.46″ a pixel, 25′ × 19′), which samples a 3″
star with two pixels and is cheap to draw, and a 240 mm guide telescope with 4.1″ pixels.
"""

from math import pi
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class SiteSettings(_Part):
    """Where the rig stands; longitude counts east of Greenwich."""

    latitude_deg: float = Field(default=46.2, ge=-89, le=89)
    longitude_deg: float = Field(default=8.4, ge=-180, le=360)
    elevation_m: float = 900.0


class OpticsSettings(_Part):
    """One telescope; the obstruction is the ratio of diameters."""

    focal_length_mm: float = Field(default=530.0, gt=0)
    aperture_mm: float = Field(default=106.0, gt=0)
    central_obstruction: float = Field(default=0.0, ge=0, lt=1)
    throughput: float = Field(default=0.85, gt=0, le=1)
    vignetting: float = Field(default=0.12, ge=0, lt=1)
    """Share of the light lost in the corners of the frame."""
    mirrored: bool = False
    """Whether an odd number of reflections forms the image: no turn of the sky then gives it."""

    @property
    def focal_ratio(self) -> float:
        return self.focal_length_mm / self.aperture_mm

    @property
    def area_cm2(self) -> float:
        """Collecting area."""
        return float(pi / 400 * self.aperture_mm**2 * (1 - self.central_obstruction**2))


class CoolerSettings(_Part):
    """A thermoelectric cooler: it lowers the sensor by at most `limit_c` below the ambient air."""

    limit_c: float = Field(default=35.0, gt=0)
    ramp_c_per_min: float = Field(default=6.0, gt=0)


class SensorSettings(_Part):
    """A sensor and its electronics; dark current is stated at 0 °C."""

    width_px: int = Field(default=1024, ge=16)
    height_px: int = Field(default=768, ge=16)
    pixel_um: float = Field(default=3.76, gt=0)
    bits: int = Field(default=16, ge=8, le=16)
    gain_e_per_adu: float = Field(default=0.78, gt=0)
    bias_adu: float = 500.0
    read_noise_e: float = Field(default=3.3, ge=0)
    full_well_e: float = Field(default=50_000.0, gt=0)
    dark_e_per_s: float = Field(default=0.02, ge=0)
    doubling_c: float = Field(default=6.0, gt=0)
    hot_pixel_fraction: float = Field(default=5e-4, ge=0, le=1)
    hot_pixel_e_per_s: float = Field(default=2.0, ge=0)
    """Mean extra dark current of a hot pixel at 0 °C."""
    response_spread: float = Field(default=0.01, ge=0)
    """Standard deviation of the pixels' relative response."""
    quantum_efficiency: float = Field(default=0.8, gt=0, le=1)
    download_s: float = Field(default=1.2, ge=0)
    has_shutter: bool = False
    """Whether darks keep the light out by themselves; most cooled sensors have no shutter."""


class GuideCameraSettings(_Part):
    """A guide telescope beside the main one, and its uncooled sensor."""

    optics: OpticsSettings = OpticsSettings(
        focal_length_mm=240.0, aperture_mm=60.0, throughput=0.85, vignetting=0.0
    )
    sensor: SensorSettings = SensorSettings(
        width_px=320,
        height_px=240,
        pixel_um=4.8,
        bits=12,
        gain_e_per_adu=1.0,
        bias_adu=100.0,
        read_noise_e=3.0,
        full_well_e=4000.0,
        dark_e_per_s=0.1,
        # uncooled, a pixel in a thousand shines like a faint star (common practice, no source)
        hot_pixel_fraction=1e-3,
        hot_pixel_e_per_s=10.0,
        response_spread=0.0,
        quantum_efficiency=0.7,
        download_s=0.1,
    )
    wavelength_nm: float = 600.0
    band_nm: float = 300.0
    blur_fwhm_arcsec: float = 3.0
    """Blur of the guide optics themselves, added in quadrature to the seeing."""
    limit_mag: float = 14.0
    angle_deg: float = 25.0
    offset_east_arcmin: float = 6.0
    offset_north_arcmin: float = -4.0


class FilterSettings(_Part):
    """One filter: its band, the dark moonless sky through it, and where it comes to focus."""

    name: str
    wavelength_nm: float = Field(gt=300, lt=1100)
    band_nm: float = Field(gt=0)
    peak: float = Field(default=0.95, gt=0, le=1)
    """Transmission at the centre of the band."""
    extinction_mag_per_airmass: float = Field(default=0.15, ge=0)
    sky_mag_per_arcsec2: float = 21.0
    focus_offset_steps: float = 0.0


def _default_filters() -> tuple[FilterSettings, ...]:
    rows = (
        # name, nm, band nm, extinction mag, dark sky mag/arcsec², focus offset steps
        ("L", 550.0, 300.0, 0.17, 20.9, 0.0),
        ("R", 640.0, 100.0, 0.11, 20.5, 22.0),
        ("G", 535.0, 90.0, 0.16, 20.9, 7.0),
        ("B", 455.0, 100.0, 0.26, 21.6, -31.0),
        ("Ha", 656.3, 6.0, 0.10, 20.6, 48.0),
        ("OIII", 500.7, 6.0, 0.18, 21.4, -12.0),
        ("SII", 672.4, 6.0, 0.10, 20.5, 55.0),
    )
    return tuple(
        FilterSettings(
            name=name,
            wavelength_nm=nm,
            band_nm=band,
            extinction_mag_per_airmass=extinction,
            sky_mag_per_arcsec2=sky,
            focus_offset_steps=offset,
        )
        for name, nm, band, extinction, sky, offset in rows
    )


class WheelSettings(_Part):
    """A wheel that turns the shorter way; slots are counted from 1 as in INDI."""

    filters: tuple[FilterSettings, ...] = Field(default_factory=_default_filters, min_length=1)
    travel_s_per_slot: float = Field(default=0.9, ge=0)
    start_slot: int = Field(default=1, ge=1)


class FocuserSettings(_Part):
    """A motor focuser; a larger position moves the sensor away from the objective."""

    range_steps: int = Field(default=20_000, gt=0)
    start_steps: int = Field(default=10_000, ge=0)
    steps_per_s: float = Field(default=250.0, gt=0)
    step_um: float = Field(default=2.0, gt=0)
    backlash_steps: int = Field(default=60, ge=0)


class FocusSettings(_Part):
    """Where the best focus is: at `base_steps` for 10 °C in the tube, at the zenith, no filter."""

    base_steps: float = 10_060.0
    slope_steps_per_c: float = -7.0
    thermal_lag_s: float = Field(default=1500.0, ge=0)
    flexure_steps: float = 6.0
    """Shift from the zenith to the horizon, as the sine of the zenith distance."""


class MountSettings(_Part):
    """A German equatorial mount, and how far it is from a perfect one."""

    slew_deg_per_s: float = Field(default=4.0, gt=0)
    settle_s: float = Field(default=3.0, ge=0)
    park_hour_angle_h: float = 6.0
    park_dec_deg: float = 90.0
    """The default parks at the pole with the counterweight down."""
    flip_after_h: float = Field(default=0.0, ge=-3, le=12)
    """Hour angle on arrival from which on a slew ends east of the pier; 12 for never."""
    limit_past_meridian_h: float = Field(default=1.0, ge=0, le=5)
    """Hour angle past the meridian at which a telescope that was not flipped stops tracking."""
    pointing_error_arcsec: float = Field(default=150.0, ge=0)
    """Standard deviation of each seeded index and cone error."""
    polar_error_arcmin: float = Field(default=3.0, ge=0)
    polar_error_angle_deg: float = 60.0
    """Direction of the mount's pole from the true one: 0 up, 90 east."""
    periodic_error_arcsec: float = Field(default=12.0, ge=0)
    """Peak to peak."""
    periodic_error_period_s: float = Field(default=480.0, gt=0)
    dec_backlash_arcsec: float = Field(default=2.0, ge=0)
    guide_rate_sidereal: float = Field(default=0.5, gt=0, lt=1)
    flip_reverses_dec_pulses: bool = False
    camera_angle_deg: float = 3.0
    """Position angle of the camera's +y axis, with the telescope east of the pier."""


class AtmosphereSettings(_Part):
    """Seeing and haze; seeing is stated at the zenith at 500 nm."""

    seeing_fwhm_arcsec: float = Field(default=2.8, gt=0)
    seeing_log_scatter: float = Field(default=0.15, ge=0)
    """Standard deviation of the natural logarithm of the seeing."""
    seeing_correlation_s: float = Field(default=900.0, gt=0)
    jitter_arcsec: float = Field(default=0.5, ge=0)
    """Motion of a guide star in one axis in a one-second exposure, standard deviation."""
    haze_log_scatter: float = Field(default=0.01, ge=0)
    haze_correlation_s: float = Field(default=1800.0, gt=0)


class CloudPassage(_Part):
    """A bank of cloud; hours count from the end of evening twilight of the world's first night."""

    begin_h_after_dusk: float
    duration_h: float = Field(gt=0)
    depth_mag: float = Field(default=2.0, ge=0)
    """Mean extinction in the middle of the passage, at the zenith."""
    contrast: float = Field(default=0.5, ge=0, le=1)
    """How patchy: standard deviation of the depth over its mean."""
    patch_deg: float = Field(default=20.0, gt=0)
    drift_deg_per_min: float = 4.0


class RainPassage(_Part):
    """A shower; hours count as for clouds."""

    begin_h_after_dusk: float
    duration_h: float = Field(gt=0)
    rate_mm_per_h: float = Field(default=1.0, gt=0)


class GustPassage(_Part):
    """A spell of stronger wind; hours count as for clouds."""

    begin_h_after_dusk: float
    duration_h: float = Field(gt=0)
    wind_m_per_s: float = Field(default=12.0, gt=0)


class WeatherSettings(_Part):
    """Air at the site: a daily temperature wave, warmest at 15 h solar time, with slow noise."""

    mean_temperature_c: float = 10.0
    daily_swing_c: float = Field(default=5.0, ge=0)
    """Half of the difference between the warmest and the coldest hour."""
    temperature_scatter_c: float = Field(default=0.4, ge=0)
    dew_point_c: float = 1.0
    pressure_hpa: float = 915.0
    wind_m_per_s: float = Field(default=1.8, gt=0)
    clouds: tuple[CloudPassage, ...] = ()
    rain: tuple[RainPassage, ...] = ()
    gusts: tuple[GustPassage, ...] = ()


class EnclosureSettings(_Part):
    """Roof, dust cap and the light panel in the cap."""

    roof_travel_s: float = Field(default=30.0, ge=0)
    roof_starts_open: bool = False
    cap_travel_s: float = Field(default=6.0, ge=0)
    cap_starts_open: bool = True
    panel_levels: int = Field(default=255, ge=1)
    panel_mag_per_arcsec2: float = 11.0
    """Surface brightness of the panel at its highest level, the same in every band."""
    leak_share: float = Field(default=0.0, ge=0, le=1)
    """Part of the sky's light that comes past closed covers."""


class RigSettings(_Part):
    """The whole simulated rig and the sky above it."""

    site: SiteSettings = SiteSettings()
    optics: OpticsSettings = OpticsSettings()
    sensor: SensorSettings = SensorSettings()
    cooler: CoolerSettings = CoolerSettings()
    guide: GuideCameraSettings = GuideCameraSettings()
    wheel: WheelSettings = Field(default_factory=WheelSettings)
    focuser: FocuserSettings = FocuserSettings()
    focus: FocusSettings = FocusSettings()
    mount: MountSettings = MountSettings()
    atmosphere: AtmosphereSettings = AtmosphereSettings()
    weather: WeatherSettings = WeatherSettings()
    enclosure: EnclosureSettings = EnclosureSettings()
    stars: Literal["seeded", "tycho2", "auto"] = "auto"
    star_limit_mag: float = 18.0
