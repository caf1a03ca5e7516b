"""A German equatorial mount: axes, tracking, pulses, flips, and where it points in truth."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightloom_drivers.physics.courses import Course, GearWithPlay
from nightloom_drivers.physics.pointing import PointingErrors
from nightloom_drivers.physics.site import SIDEREAL_DEG_PER_S, Site, apparent_to_icrs
from nightloom_drivers.physics.sphere import Vectors, angles_deg, unit
from nightloom_drivers.rig_settings import MountSettings

TelescopeSide = Literal["east", "west"]
"""Where the telescope is: east of the pier (it looks west) or west of the pier."""

Direction = Literal["north", "south", "east", "west"]


@dataclass(frozen=True)
class Boresight:
    """Where the main telescope points in truth at an array of times.

    Right ascension and declination are ICRS; `rotation_deg` is the position angle of the camera's
    +y axis, east of ICRS north. `apparent` holds the unit vectors of date.
    """

    ra_deg: NDArray[np.float64]
    dec_deg: NDArray[np.float64]
    rotation_deg: NDArray[np.float64]
    apparent: Vectors


class Mount:
    """A German equatorial mount.

    Its axes turn by mechanical angles: with the telescope east of the pier (looking west) the
    polar axis holds the hour angle and the other the declination; west of the pier the polar axis
    is half a turn on and the other is beyond the pole. Coordinates it takes and reports are
    apparent places of date, right ascension in hours. It starts parked.
    """

    def __init__(
        self, settings: MountSettings, site: Site, stream: np.random.SeedSequence, t_s: float
    ) -> None:
        self.settings = settings
        self._site = site
        self._errors = PointingErrors(settings, np.random.default_rng(stream))
        self._pole = 1.0 if site.settings.latitude_deg >= 0 else -1.0
        park = self.park_axes_deg
        self._polar = Course(t_s, park[0])
        self._dec = GearWithPlay(t_s, park[1], settings.dec_backlash_arcsec / 3600)
        self._sync_deg = (0.0, 0.0)
        self._slew_ends_s = t_s
        self._is_tracking = False
        self._is_parked = True
        self._parking = False

    def begin_slew(self, t_s: float, ra_hours: float, dec_deg: float) -> float:
        """Begin to go to an apparent place and track there; return the duration in seconds.

        The side of the pier follows the hour angle on arrival: a place west of the meridian, or
        of where this mount flips, is seen from the east side. Raises ValueError when parked.
        """
        if self.is_parked(t_s):
            raise ValueError("the mount is parked")
        ra_deg, dec_raw_deg = ra_hours * 15 - self._sync_deg[0], dec_deg - self._sync_deg[1]
        dec_raw_deg = float(np.clip(dec_raw_deg, -90, 90))
        duration_s = 0.0
        for _ in range(4):  # the sky turns while the mount goes there
            hour_angle = _half_turn(self._site.sidereal_deg(t_s + duration_s) - ra_deg)
            past = hour_angle >= self.settings.flip_after_h * 15
            side: TelescopeSide = "east" if past else "west"
            target = self._axes(hour_angle, dec_raw_deg, side)
            duration_s = self._axes_s(t_s, target)
        self._is_tracking = True
        self._parking = False
        return self._go(t_s, target, duration_s)

    def park(self, t_s: float) -> float:
        """Begin to go to the park position; return the duration in seconds."""
        target = self.park_axes_deg
        self._is_tracking = False
        self._parking = True
        return self._go(t_s, target, self._axes_s(t_s, target))

    def unpark(self, t_s: float) -> None:
        """Leave the park position's lock; the mount stays where it is, not tracking."""
        self._is_parked = self._parking = False

    def is_parked(self, t_s: float) -> bool:
        """Return whether the mount is locked in its park position."""
        return self._is_parked or (self._parking and t_s >= self._slew_ends_s)

    def is_slewing(self, t_s: float) -> bool:
        """Return whether a slew or the way to the park position, settling included, goes on."""
        return t_s < self._slew_ends_s

    def is_parking(self, t_s: float) -> bool:
        """Return whether it is on its way to the park position."""
        return self._parking and self.is_slewing(t_s)

    def axes_deg(self, t_s: float) -> tuple[float, float]:
        """Return the angles of the polar axis and of the other one, as their motors count them."""
        return self._polar.at(t_s), self._dec.motor.at(t_s)

    @property
    def park_axes_deg(self) -> tuple[float, float]:
        """The angles of both axes in the park position."""
        return self._axes(self.settings.park_hour_angle_h * 15, self.settings.park_dec_deg, "east")

    def abort(self, t_s: float) -> None:
        """Stop both axes; the mount does not track afterwards."""
        self._polar.cut(t_s)
        self._dec.stop(t_s)
        if self._parking and t_s < self._slew_ends_s:
            self._parking = False
        self._is_tracking = False
        self._slew_ends_s = min(self._slew_ends_s, t_s)

    def set_tracking(self, t_s: float, on: bool) -> None:
        """Follow the stars, or stand still; raises ValueError when parked."""
        if on and self.is_parked(t_s):
            raise ValueError("the mount is parked")
        self._is_tracking = on
        if not self.is_slewing(t_s):
            self._polar.cut(t_s)
            self._track()

    def is_tracking(self, t_s: float) -> bool:
        """Return whether the mount follows the stars now: it stops by itself at its limit."""
        at_limit = self._polar.at(t_s) >= self._limit_deg - 1e-6
        return self._is_tracking and not self.is_slewing(t_s) and not at_limit

    def pulse(self, t_s: float, direction: Direction, duration_ms: float) -> None:
        """Move at the guide rate for a time, while tracking; a new pulse ends an older one.

        North and east move the boresight towards the pole of the sky and the east.
        """
        if self.is_slewing(t_s) or self.is_parked(t_s):
            return
        rate = self.settings.guide_rate_sidereal * SIDEREAL_DEG_PER_S
        duration_s = duration_ms / 1000
        if direction in ("east", "west"):
            way = -1.0 if direction == "east" else 1.0
            base = SIDEREAL_DEG_PER_S if self.is_tracking(t_s) else 0.0
            self._polar.cut(t_s)
            self._polar.extend(duration_s, (base + way * rate) * duration_s)
            self._track()
        else:
            way = 1.0 if direction == "north" else -1.0
            beyond_pole = self._dec.motor.at(t_s) > 90.0
            if beyond_pole and not self.settings.flip_reverses_dec_pulses:
                way = -way
            here = self._dec.motor.at(t_s)
            self._dec.move(t_s, here + self._pole * way * rate * duration_s, rate)

    def sync(self, t_s: float, ra_hours: float, dec_deg: float) -> None:
        """Take it that the mount points at this apparent place now."""
        ra_now, dec_now = self.reported(t_s)
        self._sync_deg = (
            self._sync_deg[0] + _half_turn((ra_hours - ra_now) * 15),
            self._sync_deg[1] + dec_deg - dec_now,
        )

    def reported(self, t_s: float) -> tuple[float, float]:
        """Return what the mount takes its place to be: apparent hours (0 to 24) and degrees."""
        hour_angle, dec = self._sky(self._polar.at(t_s), self._dec.motor.at(t_s))
        ra_deg = self._site.sidereal_deg(t_s) - float(hour_angle) + self._sync_deg[0]
        return ra_deg % 360 / 15, float(np.clip(float(dec) + self._sync_deg[1], -90, 90))

    def pier_side(self, t_s: float) -> TelescopeSide:
        """Return on which side of the pier the telescope is."""
        return "west" if self._dec.motor.at(t_s) > 90.0 else "east"

    def hour_angle_h(self, t_s: float) -> float:
        """Return the reported hour angle, −12 to 12."""
        ra_hours, _ = self.reported(t_s)
        return _half_turn(self._site.sidereal_deg(t_s) - ra_hours * 15) / 15

    def boresight(self, t_s: ArrayLike) -> Boresight:
        """Return the true ICRS place and angle of the main camera at times (n,)."""
        times = np.atleast_1d(np.asarray(t_s, np.float64))
        apparent, north, angle_deg = self._true_axis(times)
        # the north of date, carried into ICRS as a point a little way along it
        both = apparent_to_icrs(float(times[0]), np.stack((apparent, apparent + 1e-4 * north)))
        axis, step = both[0], both[1] - both[0]
        ra, dec = angles_deg(axis)
        # tangents to the east, (−y, x, 0), and north, (−xz, −yz, x² + y²), times the step
        x, y, z = axis.T
        east = x * step[:, 1] - y * step[:, 0]
        up = (x * x + y * y) * step[:, 2] - z * (x * step[:, 0] + y * step[:, 1])
        turn = np.degrees(np.arctan2(east, up))
        return Boresight(ra, dec, (turn + angle_deg) % 360, apparent)

    def apparent_vector(self, t_s: float) -> Vectors:
        """Return the true apparent direction of the main telescope: (3,)."""
        return np.asarray(self._true_axis(np.array([t_s]))[0][0])

    @property
    def _limit_deg(self) -> float:
        return 180.0 + self.settings.limit_past_meridian_h * 15

    def _true_axis(self, t_s: NDArray[np.float64]) -> tuple[Vectors, Vectors, NDArray[np.float64]]:
        """Return apparent boresights (n, 3), their north tangents (n, 3), and camera angles from
        that north, (n,) in degrees, at times (n,).
        """
        polar, beyond = self._polar.sample(t_s), self._dec.load.sample(t_s)
        hour_angle, dec = self._sky(polar, beyond)
        flipped = beyond > 90.0
        d_hour_angle, d_dec, turn = self._errors.at(polar, hour_angle, dec, flipped)
        t0 = float(t_s[0])
        sidereal = self._site.sidereal_deg(t0) + SIDEREAL_DEG_PER_S * (t_s - t0)
        ra, dec = sidereal - hour_angle - d_hour_angle, dec + d_dec
        north = unit(ra, dec + 90.0)
        angle = self.settings.camera_angle_deg + turn + np.where(flipped, 180.0, 0.0)
        return unit(ra, dec), north, angle

    def _axes(
        self, hour_angle_deg: float, dec_deg: float, side: TelescopeSide
    ) -> tuple[float, float]:
        """Return mechanical angles of a place seen from one side of the pier."""
        if side == "east":
            return hour_angle_deg, self._pole * dec_deg
        return hour_angle_deg + 180.0, 180.0 - self._pole * dec_deg

    def _sky(
        self, polar_deg: ArrayLike, dec_axis_deg: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return hour angle and declination of mechanical angles in degrees, which broadcast."""
        polar, axis = np.asarray(polar_deg, np.float64), np.asarray(dec_axis_deg, np.float64)
        beyond = axis > 90.0
        return (
            np.where(beyond, polar - 180.0, polar),
            self._pole * np.where(beyond, 180.0 - axis, axis),
        )

    def _axes_s(self, t_s: float, target: tuple[float, float]) -> float:
        far = max(abs(target[0] - self._polar.at(t_s)), abs(target[1] - self._dec.motor.at(t_s)))
        return far / self.settings.slew_deg_per_s

    def _go(self, t_s: float, target: tuple[float, float], duration_s: float) -> float:
        self._polar.cut(t_s)
        self._polar.extend(duration_s, target[0] - self._polar.at(t_s))
        travel = abs(target[1] - self._dec.motor.at(t_s))
        self._dec.move(t_s, target[1], max(travel / max(duration_s, 1e-3), 1e-9))
        self._slew_ends_s = t_s + duration_s + self.settings.settle_s
        self._track()
        return self._slew_ends_s - t_s

    def _track(self) -> None:
        """After the last turning point follow the stars as far as the limit, if tracking is on."""
        if not self._is_tracking:
            return
        left_deg = self._limit_deg - self._polar.at(self._polar.last_turn_s)
        if left_deg > 0:
            self._polar.extend(left_deg / SIDEREAL_DEG_PER_S, left_deg)


def _half_turn(angle_deg: float) -> float:
    """Bring an angle into −180 to 180."""
    return (angle_deg + 180.0) % 360.0 - 180.0
