"""Where things stand and how dark it is, with no network.

Everything is computed from ERFA's models: no tables are fetched, and none grow old. UT1 is taken
to be UTC (they differ by less than 0.9 s, 14″ of the sky's turn); altitudes are without
refraction, which lifts by 2′ at 25°. Moments are Unix seconds, floats or arrays of any shape.
"""

from nightloom.sky.altitude import (
    HOUR_S,
    altitude_azimuth,
    hour_angle_h,
    meridian_time,
    place_at,
    sidereal_deg,
)
from nightloom.sky.bodies import (
    full_moon,
    moon_altitude_azimuth,
    moon_illumination,
    moon_phase_angle_deg,
    moon_position,
    sun_altitude,
    sun_altitude_azimuth,
    sun_position,
)
from nightloom.sky.equator import to_date
from nightloom.sky.interval import Interval, intervals_above, joined, outside, overlaps
from nightloom.sky.moonlight import dark_sky_nl, moonlight_nl
from nightloom.sky.night import dark_hours, night_of, night_span
from nightloom.sky.site import Horizon, Site, airmass
from nightloom.sky.sphere import separation_deg
from nightloom.sky.table import NightTable
from nightloom.sky.twilight import twilight_nl
from nightloom.sky.window import window

__all__ = [
    "HOUR_S",
    "Horizon",
    "Interval",
    "NightTable",
    "Site",
    "airmass",
    "altitude_azimuth",
    "dark_hours",
    "dark_sky_nl",
    "full_moon",
    "hour_angle_h",
    "intervals_above",
    "joined",
    "meridian_time",
    "moon_altitude_azimuth",
    "moon_illumination",
    "moon_phase_angle_deg",
    "moon_position",
    "moonlight_nl",
    "night_of",
    "night_span",
    "outside",
    "overlaps",
    "place_at",
    "separation_deg",
    "sidereal_deg",
    "sun_altitude",
    "sun_altitude_azimuth",
    "sun_position",
    "to_date",
    "twilight_nl",
    "window",
]
