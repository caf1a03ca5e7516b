"""Every number of the simulated rig, its site and its sky, with its unit in its name.

`RigSettings()` is a working rig: a 106 mm f/5 refractor on a German equatorial mount, a small
monochrome sensor of 1024 × 768 pixels of 3.76 µm (1.46″ a pixel, 25′ × 19′), which samples a 3″
star with two pixels and is cheap to draw, and a 240 mm guide telescope with 4.1″ pixels.

Long on purpose: rig.toml is one file, and every number of it stands beside the others.
"""

from math import pi
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)


class SiteSettings(_Part):
    """Where the rig stands; longitude counts east of Greenwich."""

    latitude_deg: float = Field(default=46.2, ge=-89, le=89)
    """Geodetic latitude, north positive."""
    longitude_deg: float = Field(default=8.4, ge=-180, le=360)
    """Longitude, east positive."""
    elevation_m: float = 900.0
    """Height above sea level."""


class OpticsSettings(_Part):
    """One telescope; the obstruction is the ratio of diameters."""

    focal_length_mm: float = Field(default=530.0, gt=0)
    """Focal length."""
    aperture_mm: float = Field(default=106.0, gt=0)
    """Clear diameter of the lens or mirror."""
    central_obstruction: float = Field(default=0.0, ge=0, lt=1)
    """Diameter of the secondary mirror over that of the aperture."""
    throughput: float = Field(default=0.85, gt=0, le=1)
    """Share of the light that glass and mirrors pass."""
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
    """How far below the ambient air it can cool."""
    ramp_c_per_min: float = Field(default=6.0, gt=0)
    """Fastest change of the sensor's temperature."""


class SensorSettings(_Part):
    """A sensor and its electronics; dark current is stated at 0 °C."""

    width_px: int = Field(default=1024, ge=16)
    """Columns of pixels."""
    height_px: int = Field(default=768, ge=16)
    """Rows of pixels."""
    pixel_um: float = Field(default=3.76, gt=0)
    """Size of a pixel."""
    bits: int = Field(default=16, ge=8, le=16)
    """Bits of the converter."""
    gain_e_per_adu: float = Field(default=0.78, gt=0)
    """Electrons for one unit."""
    bias_adu: float = 500.0
    """Level of a frame without light."""
    read_noise_e: float = Field(default=3.3, ge=0)
    """Noise of reading a pixel, standard deviation."""
    full_well_e: float = Field(default=50_000.0, gt=0)
    """Electrons that a pixel holds."""
    dark_e_per_s: float = Field(default=0.02, ge=0)
    """Dark current of a pixel at 0 °C."""
    doubling_c: float = Field(default=6.0, gt=0)
    """Warming that doubles the dark current."""
    hot_pixel_fraction: float = Field(default=5e-4, ge=0, le=1)
    """Share of the pixels that are hot."""
    hot_pixel_e_per_s: float = Field(default=2.0, ge=0)
    """Mean extra dark current of a hot pixel at 0 °C."""
    response_spread: float = Field(default=0.01, ge=0)
    """Standard deviation of the pixels' relative response."""
    quantum_efficiency: float = Field(default=0.8, gt=0, le=1)
    """Share of the photons that become electrons."""
    download_s: float = Field(default=1.2, ge=0)
    """From the end of an exposure to its frame."""
    has_shutter: bool = False
    """Whether darks keep the light out by themselves; most cooled sensors have no shutter."""


class GuideCameraSettings(_Part):
    """A guide telescope beside the main one, and its uncooled sensor."""

    optics: OpticsSettings = OpticsSettings(
        focal_length_mm=240.0, aperture_mm=60.0, throughput=0.85, vignetting=0.0
    )
    """The guide telescope."""
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
    """The guide camera's sensor."""
    wavelength_nm: float = 600.0
    """Middle of the band that it sees."""
    band_nm: float = 300.0
    """Width of that band."""
    blur_fwhm_arcsec: float = 3.0
    """Blur of the guide optics themselves, added in quadrature to the seeing."""
    limit_mag: float = 14.0
    """Magnitude of the faintest stars drawn."""
    angle_deg: float = 25.0
    """Position angle of its +y axis against the main camera's."""
    offset_east_arcmin: float = 6.0
    """How far east of the main telescope it looks."""
    offset_north_arcmin: float = -4.0
    """How far north of the main telescope it looks."""


class FilterSettings(_Part):
    """One filter: its band, the dark moonless sky through it, and where it comes to focus."""

    name: str
    """Name of the filter."""
    wavelength_nm: float = Field(gt=300, lt=1100)
    """Middle of its pass band."""
    band_nm: float = Field(gt=0)
    """Width of its pass band."""
    peak: float = Field(default=0.95, gt=0, le=1)
    """Transmission at the centre of the band."""
    extinction_mag_per_airmass: float = Field(default=0.15, ge=0)
    """Loss of light in clear air."""
    sky_mag_per_arcsec2: float = 21.0
    """Brightness of the dark, moonless sky through it."""
    focus_offset_steps: float = 0.0
    """Where it comes to focus, less where the reference filter does."""


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
    """The filters in the order of the slots."""
    travel_s_per_slot: float = Field(default=0.9, ge=0)
    """Time to turn by one slot."""
    start_slot: int = Field(default=1, ge=1)
    """Slot in the beam when the rig is switched on."""


class FocuserSettings(_Part):
    """A motor focuser; a larger position moves the sensor away from the objective."""

    range_steps: int = Field(default=20_000, gt=0)
    """Highest position; the lowest is 0."""
    start_steps: int = Field(default=10_000, ge=0)
    """Position when the rig is switched on."""
    steps_per_s: float = Field(default=250.0, gt=0)
    """Speed of the motor."""
    step_um: float = Field(default=2.0, gt=0)
    """Movement of the focal plane for one step."""
    backlash_steps: int = Field(default=60, ge=0)
    """Lost motion when the direction turns."""


class FocusSettings(_Part):
    """Where the best focus is: at `base_steps` for 10 °C in the tube, at the zenith, no filter."""

    base_steps: float = 10_060.0
    """Position of best focus."""
    slope_steps_per_c: float = -7.0
    """Shift of best focus for each degree of warming of the tube."""
    thermal_lag_s: float = Field(default=1500.0, ge=0)
    """Time constant with which the tube follows the air."""
    flexure_steps: float = 6.0
    """Shift from the zenith to the horizon, as the sine of the zenith distance."""


class MountSettings(_Part):
    """A German equatorial mount, and how far it is from a perfect one."""

    slew_deg_per_s: float = Field(default=4.0, gt=0)
    """Speed of a slew."""
    settle_s: float = Field(default=3.0, ge=0)
    """Rest after a slew before it reports its end."""
    park_hour_angle_h: float = 6.0
    """Hour angle of the parking position, west positive."""
    park_dec_deg: float = 90.0
    """The default parks at the pole with the counterweight down."""
    flip_after_h: float = Field(default=0.0, ge=-3, le=12)
    """Hour angle on arrival from which on a slew ends east of the pier; 12 for never."""
    limit_past_meridian_h: float = Field(default=1.0, ge=0, le=5)
    """Hour angle past the meridian at which a telescope that was not flipped stops tracking."""
    pointing_error_arcsec: float = Field(default=150.0, ge=0)
    """Standard deviation of each seeded index and cone error."""
    polar_error_arcmin: float = Field(default=3.0, ge=0)
    """Distance of the mount's pole from the true one."""
    polar_error_angle_deg: float = 60.0
    """Direction of the mount's pole from the true one: 0 up, 90 east."""
    periodic_error_arcsec: float = Field(default=12.0, ge=0)
    """Peak to peak."""
    periodic_error_period_s: float = Field(default=480.0, gt=0)
    """Time of one turn of the worm."""
    dec_backlash_arcsec: float = Field(default=2.0, ge=0)
    """Lost motion of the declination axis when it turns."""
    guide_rate_sidereal: float = Field(default=0.5, gt=0, lt=1)
    """Guide rate over the sidereal rate."""
    flip_reverses_dec_pulses: bool = False
    """Whether pulses north and south change places east of the pier."""
    camera_angle_deg: float = 3.0
    """Position angle of the camera's +y axis, with the telescope east of the pier."""


class AtmosphereSettings(_Part):
    """Seeing and haze; seeing is stated at the zenith at 500 nm."""

    seeing_fwhm_arcsec: float = Field(default=2.8, gt=0)
    """Full width at half maximum of a star, in the median."""
    seeing_log_scatter: float = Field(default=0.15, ge=0)
    """Standard deviation of the natural logarithm of the seeing."""
    seeing_correlation_s: float = Field(default=900.0, gt=0)
    """Time in which the seeing changes."""
    jitter_arcsec: float = Field(default=0.5, ge=0)
    """Motion of a guide star in one axis in a one-second exposure, standard deviation."""
    haze_log_scatter: float = Field(default=0.01, ge=0)
    """Standard deviation of the natural logarithm of haze's light."""
    haze_correlation_s: float = Field(default=1800.0, gt=0)
    """Time in which the haze changes."""


class CloudPassage(_Part):
    """A bank of cloud; hours count from the end of evening twilight of the world's first night."""

    begin_h_after_dusk: float
    """When it comes."""
    duration_h: float = Field(gt=0)
    """How long it lasts."""
    depth_mag: float = Field(default=2.0, ge=0)
    """Mean extinction in the middle of the passage, at the zenith."""
    contrast: float = Field(default=0.5, ge=0, le=1)
    """How patchy: standard deviation of the depth over its mean."""
    patch_deg: float = Field(default=20.0, gt=0)
    """Size of its patches in the sky."""
    drift_deg_per_min: float = 4.0
    """How fast the patches go by."""


class RainPassage(_Part):
    """A shower; hours count as for clouds."""

    begin_h_after_dusk: float
    """When it comes."""
    duration_h: float = Field(gt=0)
    """How long it lasts."""
    rate_mm_per_h: float = Field(default=1.0, gt=0)
    """How hard it rains."""


class GustPassage(_Part):
    """A spell of stronger wind; hours count as for clouds."""

    begin_h_after_dusk: float
    """When it comes."""
    duration_h: float = Field(gt=0)
    """How long it lasts."""
    wind_m_per_s: float = Field(default=12.0, gt=0)
    """Wind during it."""


class WeatherSettings(_Part):
    """Air at the site: a daily temperature wave, warmest at 15 h solar time, with slow noise."""

    mean_temperature_c: float = 10.0
    """Mean temperature of a day."""
    daily_swing_c: float = Field(default=5.0, ge=0)
    """Half of the difference between the warmest and the coldest hour."""
    temperature_scatter_c: float = Field(default=0.4, ge=0)
    """Slow noise of the temperature, standard deviation."""
    dew_point_c: float = 1.0
    """Temperature at which dew falls."""
    pressure_hpa: float = 915.0
    """Pressure of the air."""
    wind_m_per_s: float = Field(default=1.8, gt=0)
    """Mean wind."""
    clouds: tuple[CloudPassage, ...] = ()
    """Banks of cloud."""
    rain: tuple[RainPassage, ...] = ()
    """Showers."""
    gusts: tuple[GustPassage, ...] = ()
    """Spells of stronger wind."""


class EnclosureSettings(_Part):
    """Roof, dust cap and the light panel in the cap."""

    roof_travel_s: float = Field(default=30.0, ge=0)
    """Time to open or close the roof."""
    roof_starts_open: bool = False
    """Whether the roof is open when the rig is switched on."""
    cap_travel_s: float = Field(default=6.0, ge=0)
    """Time to open or close the dust cap."""
    cap_starts_open: bool = True
    """Whether the cap is open when the rig is switched on."""
    panel_levels: int = Field(default=255, ge=1)
    """Levels of the light panel."""
    panel_mag_per_arcsec2: float = 11.0
    """Surface brightness of the panel at its highest level, the same in every band."""
    leak_share: float = Field(default=0.0, ge=0, le=1)
    """Part of the sky's light that comes past closed covers."""


class RigSettings(_Part):
    """The whole simulated rig and the sky above it."""

    site: SiteSettings = SiteSettings()
    """Where it stands."""
    optics: OpticsSettings = OpticsSettings()
    """The main telescope."""
    sensor: SensorSettings = SensorSettings()
    """The main camera's sensor."""
    cooler: CoolerSettings = CoolerSettings()
    """The main camera's cooler."""
    guide: GuideCameraSettings = GuideCameraSettings()
    """The guide telescope and its camera."""
    wheel: WheelSettings = Field(default_factory=WheelSettings)
    """The filter wheel."""
    focuser: FocuserSettings = FocuserSettings()
    """The motor focuser."""
    focus: FocusSettings = FocusSettings()
    """Where the best focus is."""
    mount: MountSettings = MountSettings()
    """The mount."""
    atmosphere: AtmosphereSettings = AtmosphereSettings()
    """Seeing and haze."""
    weather: WeatherSettings = WeatherSettings()
    """The weather."""
    enclosure: EnclosureSettings = EnclosureSettings()
    """Roof, cap and panel."""
    stars: Literal["seeded", "tycho2", "auto"] = "auto"
    """Invented stars, Debian's Tycho-2 stars, or the latter where they are installed."""
    star_limit_mag: float = 18.0
    """Magnitude of the faintest stars of the sky."""
