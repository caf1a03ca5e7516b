"""Observatories by chance: a place on Earth, and a rig whose owner knows it more or less.

Each function changes tables of the demo observatory, as they stand in its files. What the owner
believes goes into `observatory`, what is true into `rig`. Ranges are common practice, no source.
"""

from typing import TypedDict

import numpy as np

from nightloom_drivers.rig_settings import RigSettings

Table = dict[str, object]


class Filter(TypedDict):
    """One filter as it stands in observatory.toml."""

    wavelength_nm: float
    bandwidth_nm: float


FILTERS: dict[str, Filter] = {
    "L": {"wavelength_nm": 550.0, "bandwidth_nm": 300.0},
    "R": {"wavelength_nm": 640.0, "bandwidth_nm": 100.0},
    "G": {"wavelength_nm": 535.0, "bandwidth_nm": 90.0},
    "B": {"wavelength_nm": 455.0, "bandwidth_nm": 100.0},
    "Ha": {"wavelength_nm": 656.3, "bandwidth_nm": 6.0},
    "OIII": {"wavelength_nm": 500.7, "bandwidth_nm": 6.0},
    "SII": {"wavelength_nm": 672.4, "bandwidth_nm": 6.0},
}

SENSORS = (
    (1280, 960, 3.75), (1936, 1096, 2.9), (3096, 2080, 2.4), (4656, 3520, 3.8), (6248, 4176, 3.76),
    (9576, 6388, 3.76),
)  # fmt: skip
"""Width and height in pixels, and the pixel in µm: 1 to 62 megapixels."""

LONG_SUB_S = 180.0

SMALL_SENSOR = (1024, 768, 3.76)
SCALE_ARCSEC, FIELD_DEG = (0.5, 2.0), (0.35, 5.0)
"""Of a pixel, and of the longer side: stars are sampled, and there are some."""


def place(chance: np.random.Generator) -> Table:
    """A site: both hemispheres, high latitudes, both sides of the date line."""
    near_date_line = chance.random() < 0.15
    longitude = chance.uniform(175.0, 185.0) if near_date_line else chance.uniform(-180.0, 180.0)
    azimuths = np.sort(chance.choice(np.arange(0, 360, 15), size=6, replace=False))
    horizon = [[float(azimuth), float(chance.integers(0, 22))] for azimuth in azimuths]
    return {
        "latitude_deg": round(float(chance.uniform(-68.0, 68.0)), 4),
        "longitude_deg": round(float((longitude + 180.0) % 360.0 - 180.0), 4),
        "elevation_m": float(chance.integers(0, 3000)),
        "horizon": horizon if chance.random() < 0.7 else [],
    }


def telescope(chance: np.random.Generator, pixels: bool) -> tuple[Table, Table, Table]:
    """Optics and a sensor that go together: what is true of both, and what is said of the optics.

    With `pixels` the sensor is small, for its pictures are drawn.
    """
    while True:
        width, height, pixel_um = (
            SMALL_SENSOR if pixels else SENSORS[int(chance.integers(len(SENSORS)))]
        )
        length_mm = _between(chance, 250.0, 2200.0)
        scale = 206.265 * pixel_um / length_mm
        if (
            SCALE_ARCSEC[0] <= scale <= SCALE_ARCSEC[1]
            and FIELD_DEG[0] <= scale * width / 3600.0 <= FIELD_DEG[1]
        ):
            break
    ratio = float(np.clip(_between(chance, 2.2, 10.0), length_mm / 450.0, 10.0))
    obstruction = float(chance.choice([0.0, 0.3, 0.45]))
    said: Table = {
        "focal_length_mm": round(length_mm, 1),
        "aperture_mm": round(length_mm / ratio, 1),
        "central_obstruction": obstruction,
    }
    sensor: Table = {
        "width_px": width,
        "height_px": height,
        "pixel_um": pixel_um,
        "download_s": round(_between(chance, 0.2, 10.0), 2),
        "hot_pixel_fraction": float(chance.choice([1e-4, 5e-4, 2e-3])),
    }
    return said | {"mirrored": bool(chance.random() < 0.3)}, sensor, said


def star_limit_mag(rig: RigSettings) -> float:
    """How faint stars are to be, so that a frame has a few thousand of them at most, and many that
    long subs do not saturate: those of 50,000 electrons a pixel in four, of 1e4 photons a second,
    cm² and nm at magnitude 0.
    """
    width_deg = (
        rig.sensor.width_px * rig.sensor.pixel_um / 1000.0 / rig.optics.focal_length_mm * 57.296
    )
    electrons = rig.optics.area_cm2 * 0.6 * LONG_SUB_S * 300.0 * 1e4
    saturated_mag = 2.5 * np.log10(electrons / 2e5)
    return float(np.clip(17.0 - 4.0 * np.log10(width_deg), saturated_mag + 1.0, 18.0))


def focuser(chance: np.random.Generator, ratio: float) -> tuple[Table, Table, Table]:
    """What is said of the focuser, what is true of it, and where focus is in truth.

    One critical focus zone is 10 to 60 steps.
    """
    zone_um = 2.2 * ratio**2
    step_um = float(np.clip(zone_um / chance.uniform(10.0, 60.0), 0.2, 10.0))
    backlash = int(chance.choice([0, 40, 150])) if chance.random() < 0.7 else 0
    known = backlash + int(chance.integers(0, 30)) if chance.random() < 0.8 else backlash // 2
    said: Table = {"step_um": round(step_um, 3), "backlash_steps": known}
    said["approach"] = str(chance.choice(["outward", "inward"]))
    true: Table = {"step_um": round(step_um, 3), "backlash_steps": backlash}
    slope = -chance.uniform(0.0, 0.6) * zone_um / step_um
    away = chance.normal(0.0, 1.5) * zone_um / step_um
    return said, true, {"base_steps": 10_060.0 + away, "slope_steps_per_c": round(slope, 2)}


def wheel(chance: np.random.Generator, zone_steps: float) -> tuple[Table, list[Table]]:
    """The filters with the offsets that the owner wrote down, and what they are in truth."""
    said: Table = {}
    true: list[Table] = []
    for name, one in FILTERS.items():
        offset = 0.0 if name == "L" else float(chance.normal(0.0, 2.0)) * zone_steps
        wrong = float(chance.normal(0.0, 0.1)) * zone_steps
        said[name] = {**one, "offset_steps": round(offset + wrong)}
        true.append(
            {
                "name": name,
                "wavelength_nm": one["wavelength_nm"],
                "band_nm": one["bandwidth_nm"],
                "focus_offset_steps": offset,
            }
        )
    return said, true


def mount(chance: np.random.Generator) -> Table:
    """A mount that is more or less well made and set up."""
    return {
        "slew_deg_per_s": round(float(chance.uniform(1.5, 8.0)), 2),
        "settle_s": round(float(chance.uniform(1.0, 5.0)), 1),
        "pointing_error_arcsec": float(chance.choice([20.0, 150.0, 400.0])),
        "polar_error_arcmin": round(float(chance.uniform(0.0, 6.0)), 2),
        "polar_error_angle_deg": round(float(chance.uniform(0.0, 360.0)), 1),
        "periodic_error_arcsec": round(float(chance.uniform(0.0, 25.0)), 1),
        "periodic_error_period_s": float(chance.choice([240.0, 430.0, 480.0, 638.0])),
        "dec_backlash_arcsec": round(float(chance.uniform(0.0, 5.0)), 2),
        "guide_rate_sidereal": float(chance.choice([0.3, 0.5, 0.9])),
        "flip_reverses_dec_pulses": bool(chance.random() < 0.5),
        "camera_angle_deg": round(float(chance.uniform(0.0, 360.0)), 1),
    }


def sky(chance: np.random.Generator, hours: tuple[float, float]) -> tuple[Table, Table]:
    """Air, and the weather between two `hours` counted from dusk."""

    def passage(longest_h: float, **told: float) -> Table:
        lasts_h = float(chance.uniform(0.05, longest_h))
        begin_h = float(chance.uniform(hours[0] - lasts_h / 2, hours[1]))
        return {"begin_h_after_dusk": begin_h, "duration_h": lasts_h, **told}

    clouds = [
        passage(0.8, depth_mag=_between(chance, 0.2, 8.0), contrast=chance.uniform(0.0, 0.9))
        for _ in range(int(chance.choice([0, 0, 0, 1, 1, 2])))
    ]
    rain = [
        passage(0.5, rate_mm_per_h=_between(chance, 0.2, 10.0))
        for _ in range(int(chance.random() < 0.08))
    ]
    gusts = [
        passage(0.5, wind_m_per_s=chance.uniform(5.0, 20.0))
        for _ in range(int(chance.random() < 0.1))
    ]
    mean_c = float(chance.uniform(-12.0, 18.0))
    weather: Table = {
        "mean_temperature_c": mean_c,
        "daily_swing_c": float(chance.uniform(1.0, 9.0)),
        "dew_point_c": mean_c - float(chance.uniform(12.0, 20.0)),
        "wind_m_per_s": float(chance.uniform(0.5, 3.0)),
        "clouds": clouds,
        "rain": rain,
        "gusts": gusts,
    }
    air: Table = {
        "seeing_fwhm_arcsec": _between(chance, 1.6, 4.5),
        "seeing_log_scatter": float(chance.uniform(0.02, 0.25)),
        "jitter_arcsec": float(chance.uniform(0.2, 1.0)),
    }
    return air, weather


def _between(chance: np.random.Generator, low: float, high: float) -> float:
    """Evenly in the logarithm."""
    return float(np.exp(chance.uniform(np.log(low), np.log(high))))
