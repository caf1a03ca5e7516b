"""One night computed once, then looked up."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightloom.sky.altitude import altitude_azimuth
from nightloom.sky.bodies import (
    full_moon,
    moon_altitude_azimuth,
    moon_phase_angle_deg,
    sun_altitude_azimuth,
)
from nightloom.sky.interval import Interval, intervals_above
from nightloom.sky.moonlight import dark_sky_nl, moonlight_nl
from nightloom.sky.site import Horizon, Site, airmass
from nightloom.sky.sphere import angles_deg, vectors
from nightloom.sky.twilight import twilight_nl
from nightloom.sky.window import visible

Floats = NDArray[np.float64]

MOONRISE_DEG = -0.8333
"""Altitude of the Moon's centre when its edge appears: 34′ of refraction and 16′ of radius."""


class NightTable:
    """Targets, the Sun and the Moon over a site on a grid of moments.

    `targets` maps names to ICRS (ra_deg, dec_deg). Between the grid's moments directions are
    interpolated as vectors, so nothing jumps where the azimuth passes north; a step of a minute is
    good to 1″. Moments outside the span raise ValueError, unknown names KeyError. What is looked up
    has the shape of the moments, which are finite, and holds no NaN unless it says so.
    """

    def __init__(
        self,
        site: Site,
        span: Interval,
        targets: Mapping[str, tuple[float, float]],
        step_s: float = 60.0,
    ) -> None:
        self.site, self.span = site, span
        self.unix_s = span.grid(step_s)
        places = np.array(list(targets.values()), dtype=np.float64).reshape(-1, 2)
        altitude, azimuth = altitude_azimuth(site, places[:, :1], places[:, 1:], self.unix_s)
        self._directions = dict(zip(targets, vectors(azimuth, altitude), strict=True))
        self._sun = _directions(*sun_altitude_azimuth(site, self.unix_s))
        self._moon = _directions(*moon_altitude_azimuth(site, self.unix_s))
        self._moon_phase_angle_deg = moon_phase_angle_deg(self.unix_s)
        self._full_moons_unix_s = full_moon([span.start_unix_s, span.end_unix_s])

    def altitude_azimuth(self, name: str, unix_s: ArrayLike) -> tuple[Floats, Floats]:
        """Altitude and azimuth of a target in degrees."""
        return _altitude_azimuth(self._between(self._directions[name], unix_s))

    def airmass(self, name: str, unix_s: ArrayLike) -> Floats:
        """Airmass of a target; NaN while it is below the horizon."""
        return airmass(self.altitude_azimuth(name, unix_s)[0])

    def sun_altitude(self, unix_s: ArrayLike) -> Floats:
        """Altitude of the Sun in degrees."""
        return _altitude_azimuth(self._between(self._sun, unix_s))[0]

    def moon_altitude(self, unix_s: ArrayLike) -> Floats:
        """Altitude of the Moon in degrees."""
        return _altitude_azimuth(self._between(self._moon, unix_s))[0]

    def moon_separation_deg(self, name: str, unix_s: ArrayLike) -> Floats:
        """Angle from a target to the Moon, as seen from the site."""
        target = self._between(self._directions[name], unix_s)
        moon = self._between(self._moon, unix_s)
        chord = np.linalg.norm(target - moon, axis=-1)
        return np.asarray(np.degrees(2.0 * np.arcsin(np.clip(chord / 2.0, 0.0, 1.0))))

    def moon_illumination(self, unix_s: ArrayLike) -> Floats:
        """Illuminated fraction of the Moon's disk."""
        return np.asarray((1.0 + np.cos(np.radians(self._phase_angle_deg(unix_s)))) / 2.0)

    def days_from_full_moon(self, unix_s: ArrayLike) -> Floats:
        """Days to or from the nearest full Moon."""
        away_s = np.abs(self._inside(unix_s)[..., None] - self._full_moons_unix_s)
        return np.asarray(away_s.min(axis=-1) / 86400.0)

    def sky_nl(self, name: str, unix_s: ArrayLike, moonlight_part: float = 1.0) -> Floats:
        """Brightness of the sky at a target in nanolamberts, with that part of the moonlight."""
        zenith_deg = 90.0 - self.altitude_azimuth(name, unix_s)[0]
        moon = moonlight_nl(
            zenith_deg,
            90.0 - self.moon_altitude(unix_s),
            self.moon_separation_deg(name, unix_s),
            self._phase_angle_deg(unix_s),
        )
        return dark_sky_nl(zenith_deg) + moonlight_part * moon

    def moon_up(self) -> list[Interval]:
        """When the Moon's upper edge is above a level horizon."""
        return intervals_above(self.unix_s, _altitude_azimuth(self._moon)[0], MOONRISE_DEG)

    def moonlight_ratio(self, name: str, unix_s: ArrayLike, moonlight_part: float = 1.0) -> Floats:
        """How many times as bright as without the Moon the sky is at a target; 1 while it is down.

        With that part of the moonlight, as for `sky_nl`.
        """
        return self.sky_nl(name, unix_s, moonlight_part) / self.sky_nl(name, unix_s, 0.0)

    def lit_ratio(self, name: str, unix_s: ArrayLike) -> Floats:
        """How many times as bright as a dark one Sun and Moon make the sky at a target."""
        dark = self.sky_nl(name, unix_s, 0.0)
        return (self.sky_nl(name, unix_s) + twilight_nl(self.sun_altitude(unix_s))) / dark

    def dim_enough(
        self, name: str, maximum_ratio: float, moonlight_part: float = 1.0
    ) -> list[Interval]:
        """When the Moon makes the sky at a target no brighter than so many times the dark one."""
        ratio = self.moonlight_ratio(name, self.unix_s, moonlight_part)
        return intervals_above(self.unix_s, maximum_ratio - ratio)

    def window(self, name: str, floor_deg: float, horizon: Horizon) -> list[Interval]:
        """The parts of the span in which a target is above both its floor and the horizon."""
        path = _altitude_azimuth(self._directions[name])
        return visible(self.unix_s, *path, floor_deg, horizon)

    def _phase_angle_deg(self, unix_s: ArrayLike) -> Floats:
        """The Moon's phase angle in degrees, of the shape of the moments."""
        return np.interp(self._inside(unix_s), self.unix_s, self._moon_phase_angle_deg)

    def _inside(self, unix_s: ArrayLike) -> Floats:
        """The moments as an array of their shape. Raises ValueError for one outside the span."""
        moments = np.asarray(unix_s, dtype=np.float64)
        start, end = self.span.start_unix_s, self.span.end_unix_s
        if moments.size and (moments.min() < start or moments.max() > end):
            raise ValueError(f"{moments} is outside the table's span, {start} to {end}")
        return moments

    def _between(self, directions: Floats, unix_s: ArrayLike) -> Floats:
        """Directions (moments, 3) of those of the grid (n, 3)."""
        moments = self._inside(unix_s)
        after = np.searchsorted(self.unix_s[1:-1], moments, side="right") + 1
        earlier_s, later_s = self.unix_s[after - 1], self.unix_s[after]
        part = ((moments - earlier_s) / (later_s - earlier_s))[..., None]
        mixed = directions[after - 1] * (1 - part) + directions[after] * part
        return np.asarray(mixed / np.sqrt((mixed * mixed).sum(axis=-1, keepdims=True)))


def _directions(altitude_deg: Floats, azimuth_deg: Floats) -> Floats:
    """Unit vectors (..., 3) of altitudes and azimuths (...) in degrees; NaN stays NaN."""
    return vectors(azimuth_deg, altitude_deg)


def _altitude_azimuth(directions: Floats) -> tuple[Floats, Floats]:
    """Altitudes and azimuths (...) in degrees of vectors (..., 3); NaN stays NaN."""
    azimuth, altitude = angles_deg(directions)
    return altitude, azimuth
