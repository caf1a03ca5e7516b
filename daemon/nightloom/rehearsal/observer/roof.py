"""Over what, and for what, the roof moves."""

from nightloom.rehearsal.observer.rules import (
    ONE_ROUND,
    OPEN_FOR_SOMETHING,
    ROOF_OVER_PARKED,
    Findings,
)
from nightloom.rehearsal.observer.truth import Moment
from nightloom.settings import Settings
from nightloom_drivers.physics.world import World

CLOUD_SHARE = 0.7
"""Where clouds leave less of the light at the zenith or ahead, the sky is not clear."""


class RoofRules:
    """Watches the roof's own movements."""

    def __init__(self, settings: Settings, world: World) -> None:
        self._world = world
        self._clears_always = getattr(settings.observatory.roof, "clears", "parked") == "always"
        self._idle_max_s = settings.policies.acquire.open_before_s + OPEN_FOR_SOMETHING.tolerance
        self._idle_from_s: float | None = None
        self._was_open = False
        self._rounds = 0

    def look(self, now: Moment, light_s: float, reasons: list[str], findings: Findings) -> None:
        """`light_s` is when a camera last looked at the sky; `reasons` ask for a closed roof."""
        over = now.roof_moves and not now.stands_parked and not self._clears_always
        mount = "tracks" if now.tracks else "moves" if now.slews else "stands off its park position"
        seen = f"the roof moves at {now.roof:.0%} while the mount {mount}"
        findings.hold(ROOF_OVER_PARKED, over, now.t_s, seen)
        self._look_for_use(now, light_s, findings)
        if now.closed and self._was_open:
            self._rounds += not reasons and not self._clouded(now.t_s)
            seen = f"the roof opened and closed {self._rounds} times for nothing in the weather"
            findings.hold(ONE_ROUND, self._rounds >= ONE_ROUND.tolerance, now.t_s, seen)
        self._was_open = not now.closed and (self._was_open or now.open)

    def _look_for_use(self, now: Moment, light_s: float, findings: Findings) -> None:
        if now.closed:
            self._idle_from_s = None
            findings.hold(OPEN_FOR_SOMETHING, False, now.t_s, "")
            return
        since_s = max(now.t_s if self._idle_from_s is None else self._idle_from_s, light_s)
        self._idle_from_s = since_s
        idle = now.t_s - since_s > self._idle_max_s
        if idle and self._clouded(now.t_s):
            self._idle_from_s, idle = now.t_s - self._idle_max_s, False
        seen = f"the roof is open and nothing looked at the sky for {now.t_s - since_s:.0f} s"
        findings.hold(OPEN_FOR_SOMETHING, idle, now.t_s, seen)

    def _clouded(self, t_s: float) -> bool:
        site, clouds = self._world.site, self._world.clouds
        altitude, azimuth = site.altaz_deg(t_s, self._world.mount.apparent_vector(t_s))
        ahead = clouds.transmission(t_s, float(altitude), float(azimuth))
        return min(ahead, clouds.transmission(t_s, 90.0, 0.0)) < CLOUD_SHARE
