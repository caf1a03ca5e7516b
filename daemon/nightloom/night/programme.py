"""Tonight's programme: when it is dark, which target is up, and how long it stays so."""

from collections.abc import Mapping
from datetime import date

from nightloom.ledger import Ledger
from nightloom.settings import Settings, Target
from nightloom.sky import Horizon, Interval, NightTable, Site, dark_hours, hour_angle_h
from nightloom_drivers.clock import Clock

TABLE_MARGIN_S = 3 * 3600.0
"""The table reaches this far beyond the dark hours: readying begins in twilight."""

SET_ASIDE_S = 1800.0
"""A target that could not be centred is left alone for this long: a cloud, a tree, a wire."""

LEAST_WINDOW_S = 900.0
"""A window shorter than this does not pay for slewing, centring and focusing."""

NOTHING: Mapping[str, float] = {}


class NoDarkness(Exception):
    """The night never gets as dark as the settings ask."""


def site_of(settings: Settings) -> Site:
    """The settings' site, as the rules know it."""
    site = settings.observatory.site
    return Site(site.latitude_deg, site.longitude_deg, site.elevation_m)


def darkness(settings: Settings, night: date, hours_max: float | None = None) -> Interval:
    """The dark hours of a night, or the first `hours_max` of them.

    Raises NoDarkness when the Sun does not sink deep enough.
    """
    sun_altitude_deg = settings.policies.dark.sun_altitude_deg
    dark = dark_hours(site_of(settings), night, sun_altitude_deg)
    if dark is None:
        raise NoDarkness(f"the Sun does not sink below {sun_altitude_deg:g}° on {night}")
    if hours_max is None:
        return dark
    end_s = min(dark.end_unix_s, dark.start_unix_s + 3600.0 * hours_max)
    return Interval(dark.start_unix_s, end_s)


def ready_from_s(settings: Settings, dark: Interval) -> float:
    """When readying begins, so that the sensor is cold when the roof opens."""
    acquire = settings.policies.acquire
    return dark.start_unix_s - acquire.open_before_s - acquire.cool_before_s


class Programme:
    """The targets of one night over one site. Raises NoDarkness when there is no such night.

    `hours_max` cuts the dark hours short, for a rehearsal that is to take less time.
    """

    def __init__(
        self,
        settings: Settings,
        night: date,
        clock: Clock,
        ledger: Ledger,
        hours_max: float | None = None,
    ) -> None:
        self.night = night
        self.site = site_of(settings)
        self._settings, self._clock, self._ledger = settings, clock, ledger
        self.dark = dark = darkness(settings, night, hours_max)
        span = Interval(dark.start_unix_s - TABLE_MARGIN_S, dark.end_unix_s + TABLE_MARGIN_S)
        places = {target.name: (target.ra_deg, target.dec_deg) for target in self.targets}
        self.table = NightTable(self.site, span, places)
        horizon = Horizon(settings.observatory.site.horizon)
        self._windows = {
            target.name: [
                window
                for whole in self.table.window(target.name, target.altitude_floor_deg, horizon)
                if (window := whole.common(dark)) and window.duration_s >= LEAST_WINDOW_S
            ]
            for target in self.targets
        }
        self._aside_until_s: dict[str, float] = {}

    @property
    def targets(self) -> tuple[Target, ...]:
        """All targets, in the order of the settings."""
        return self._settings.targets.targets

    @property
    def open_from_s(self) -> float:
        """When the roof may open: early enough for the air inside to settle."""
        return self.dark.start_unix_s - self._settings.policies.acquire.open_before_s

    @property
    def acquire_from_s(self) -> float:
        """When the first target may be acquired, so that gathering begins with the dark."""
        return self.dark.start_unix_s - self._settings.policies.acquire.begin_before_s

    def over(self) -> bool:
        """Whether the dark hours are over."""
        return self._clock.unix_s() >= self.dark.end_unix_s

    def finished(self) -> bool:
        """Whether no target that still lacks anything will be up any more tonight."""
        latest_s = self._clock.unix_s() + LEAST_WINDOW_S
        return not any(
            self._lacks(target)
            and any(w.end_unix_s >= latest_s for w in self._windows[target.name])
            for target in self.targets
        )

    def choose(
        self, running: Target | None = None, pending_s: Mapping[str, float] = NOTHING
    ) -> Target | None:
        """The target to be imaged now; None when none is up that still lacks anything.

        The first by priority among those in their window, ties to the one whose window ends first.
        A target that is not `running` needs time enough left to be worth acquiring. `pending_s`
        are seconds by filter of the running one that were taken and have no verdict yet.
        """
        up = [
            target
            for target in self.targets
            if self._open(target, 0.0 if target == running else LEAST_WINDOW_S)
            and self._lacks(target, pending_s if target == running else NOTHING)
        ]
        return min(up, key=lambda t: (t.priority, self.window_end_s(t)), default=None)

    def set_aside(self, target: Target) -> None:
        """Leave a target alone for a while."""
        self._aside_until_s[target.name] = self._clock.unix_s() + SET_ASIDE_S

    def take_back(self, target: Target) -> None:
        """Undo `set_aside`."""
        self._aside_until_s.pop(target.name, None)

    def window_end_s(self, target: Target) -> float:
        """When the target's present or next window ends; the past when it has none left."""
        now_s = self._clock.unix_s()
        ends = [w.end_unix_s for w in self._windows[target.name] if w.end_unix_s > now_s]
        return min(ends, default=now_s)

    def clear_of(self, target: Target) -> list[Interval]:
        """The target's windows of this night."""
        return self._windows[target.name]

    def hour_angle_h(self, target: Target, at_s: float) -> float:
        """Hour angle of the target, west positive."""
        return float(hour_angle_h(self.site, target.ra_deg, target.dec_deg, at_s))

    def airmass(self, target: Target, at_s: float) -> float:
        """Airmass of the target."""
        return float(self.table.airmass(target.name, at_s))

    def altitude_deg(self, target: Target, at_s: float) -> float:
        """Altitude of the target."""
        return float(self.table.altitude_azimuth(target.name, at_s)[0])

    def _open(self, target: Target, least_s: float) -> bool:
        now_s = self._clock.unix_s()
        early_s = self.dark.start_unix_s - self.acquire_from_s
        return self._aside_until_s.get(target.name, 0.0) <= now_s and any(
            window.start_unix_s - early_s <= now_s <= window.end_unix_s - least_s
            for window in self._windows[target.name]
        )

    def _lacks(self, target: Target, pending_s: Mapping[str, float] = NOTHING) -> bool:
        accepted_s = self._ledger.accepted_s(target.name)
        return any(
            sub.wanted_hours is None
            or accepted_s.get(name, 0.0) + pending_s.get(name, 0.0) < 3600.0 * sub.wanted_hours
            for name, sub in target.filters.items()
        )
