"""Where the telescope points, and where it may."""

import numpy as np

from nightloom.rehearsal.observer.rules import PIER, SLEW_IN_THE_OPEN, SUN, WATCHED, Findings
from nightloom.rehearsal.observer.truth import Moment
from nightloom.settings import Settings
from nightloom_drivers.physics.sphere import separation_deg
from nightloom_drivers.physics.world import World

SUN_IS_DOWN_DEG = -2.0
STEP_DEG = 1.0
"""So far a slew goes between two places that are looked at."""


class MountRules:
    """Watches the axes, on all of their way."""

    def __init__(self, settings: Settings, world: World) -> None:
        self._world, self._table = world, settings.observatory.mount
        self._safety = settings.policies.safety
        self._has_roof = settings.observatory.roof is not None
        self._before: Moment | None = None
        self._tracks_from_s: float | None = None
        self.slews = 0

    def slew_asked(self, now: Moment) -> None:
        """A place was asked for; it counts when the mount has begun to go there."""
        self.slews += now.slews

    def look(self, now: Moment, light_s: float, findings: Findings) -> None:
        """`light_s` is when a camera last looked at the sky."""
        before, self._before = self._before or now, now
        self._look_at_sun(before, now, findings)
        self._look_at_pier(now, findings)
        self._look_for_a_watcher(now, light_s, findings)
        covered = self._has_roof and not now.open and not before.open
        moves = now.tracks or (now.slews and not now.parks)
        seen = f"the mount {'tracks' if now.tracks else 'slews'} under a roof {now.roof:.0%} open"
        findings.hold(SLEW_IN_THE_OPEN, covered and moves, now.t_s, seen, "roof")

    def exposed(self, now: Moment, findings: Findings) -> None:
        """The main camera begins to look at the sky."""
        floor_deg = self._safety.altitude_floor_deg
        axis = self._world.mount.apparent_vector(now.t_s)
        altitude_deg = float(self._world.site.altaz_deg(now.t_s, axis)[0])
        low = altitude_deg < floor_deg - SLEW_IN_THE_OPEN.tolerance
        seen = f"exposing at an altitude of {altitude_deg:.1f}°, the floor is {floor_deg:g}°"
        findings.hold(SLEW_IN_THE_OPEN, low and not now.closed, now.t_s, seen, "floor")

    def _look_at_sun(self, before: Moment, now: Moment, findings: Findings) -> None:
        if now.sun_altitude_deg < SUN_IS_DOWN_DEG or (now.closed and before.closed):
            findings.hold(SUN, False, now.t_s, "")
            return
        mount, least_deg = self._world.mount, self._safety.sun_distance_deg
        step_s = STEP_DEG / self._world.settings.mount.slew_deg_per_s
        count = int((now.t_s - before.t_s) / step_s) + 2 if before.slews or now.slews else 1
        way = mount.boresight(np.linspace(now.t_s, before.t_s, count)).apparent
        nearest_deg = float(np.min(separation_deg(way, self._world.site.sun_vector(now.t_s))))
        seen = (
            f"the telescope came to {nearest_deg:.1f}° from the Sun, which stands"
            f" {now.sun_altitude_deg:.1f}° high; {least_deg:g}° is the least"
        )
        findings.hold(SUN, nearest_deg < least_deg - SUN.tolerance, now.t_s, seen)

    def _look_at_pier(self, now: Moment, findings: Findings) -> None:
        table, mount = self._table, self._world.mount
        side, polar_deg = mount.pier_side(now.t_s), mount.axes_deg(now.t_s)[0]
        low_h, high_h = (
            table.hour_angle_pier_west_h if side == "west" else table.hour_angle_pier_east_h
        )
        angle_h = (polar_deg - (180.0 if side == "west" else 0.0)) / 15.0
        beyond_h = max(low_h - angle_h, angle_h - high_h)
        broken = table.needs_flip and now.tracks and beyond_h > PIER.tolerance
        seen = (
            f"it tracks {side} of the pier at an hour angle of {angle_h:+.2f} h,"
            f" {low_h:+g} to {high_h:+g} h are allowed"
        )
        findings.hold(PIER, broken, now.t_s, seen)

    def _look_for_a_watcher(self, now: Moment, light_s: float, findings: Findings) -> None:
        if not now.tracks:
            self._tracks_from_s = None
        elif self._tracks_from_s is None:
            self._tracks_from_s = now.t_s
        since_s = max(now.t_s if self._tracks_from_s is None else self._tracks_from_s, light_s)
        alone_s = now.t_s - since_s
        seen = f"the mount tracks and no camera looked for {alone_s:.0f} s"
        findings.hold(WATCHED, alone_s > WATCHED.tolerance, now.t_s, seen)
