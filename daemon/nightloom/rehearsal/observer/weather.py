"""Whether the roof is closed in time."""

from collections.abc import Callable

from nightloom.rehearsal.observer.rules import CLOSED_IN_TIME, Findings
from nightloom.rehearsal.observer.truth import Moment
from nightloom.settings import Settings
from nightloom_drivers.link.vector import Event, Removed, State, Updated, Vector
from nightloom_drivers.physics.world import World

HALVINGS = 6
"""A change between two looks is found to a sixty-fourth of the time between them."""

FARTHEST_DEG = 180.0
"""No axis turns further to its park position."""


class WeatherRules:
    """Knows why the roof must be closed, and since when.

    The time in which nobody can reach the roof, because the server is gone, does not count.
    """

    def __init__(self, settings: Settings, world: World, reachable: Callable[[], bool]) -> None:
        self._world, self._reachable = world, reachable
        self._table = next(iter(settings.observatory.weather), None)  # one is simulated
        mount, enclosure = world.settings.mount, world.settings.enclosure
        self.allowed_s = (
            CLOSED_IN_TIME.tolerance
            + enclosure.roof_travel_s
            + FARTHEST_DEG / mount.slew_deg_per_s
            + mount.settle_s
        )
        self._lights: set[str] = set()
        self._beyond: set[str] = set()
        self._heard_s: float | None = None
        self._since_s: dict[str, float] = {}
        self._looked_s: float | None = None
        self._unreachable_s = 0.0
        self._was_closed = True

    @property
    def reasons(self) -> list[str]:
        """Why the roof must be closed at the last look; empty when it need not be."""
        return list(self._since_s)

    def restarted(self) -> None:
        """The station's driver died, and another one is there that has said nothing yet."""
        self._heard_s = None

    def hear(self, event: Event, t_s: float) -> None:
        """Take what the weather station reports."""
        match event:
            case Removed():
                self._heard_s = None
            case Updated(vector=Vector(name="WEATHER_STATUS") as status):
                self._heard_s = t_s
                lights = [name for name, light in status.elements.items() if light is State.ALERT]
                alert = status.state is State.ALERT and not lights
                self._lights = set(lights) | ({"WEATHER_STATUS"} if alert else set())
            case Updated(vector=Vector(name="WEATHER_PARAMETERS") as readings):
                self._heard_s = t_s
                self._beyond = self._beyond_limits(readings)

    def look(self, now: Moment, findings: Findings) -> None:
        """See what speaks against an open roof, and whether it is closed."""
        for reason, holds in self._against(now.t_s).items():
            if not holds(now.t_s):
                self._since_s.pop(reason, None)
            elif reason not in self._since_s:
                self._since_s[reason] = self._onset_s(holds, now.t_s)
        if not self._reachable():
            self._unreachable_s = now.t_s
        self._looked_s = now.t_s
        since_s = min(self._since_s.values(), default=now.t_s)
        late_s = now.t_s - max(since_s, self._unreachable_s) - self.allowed_s
        seen = (
            f"the roof was not closed for {now.t_s - since_s:.0f} s after"
            f" {' and '.join(self._since_s)}, {self.allowed_s:.0f} s are allowed;"
            f" it is {now.roof:.0%} open"
        )
        was_closed, self._was_closed = self._was_closed, now.closed
        late = late_s > 0 and not (now.closed and was_closed)  # it may just have closed, too late
        findings.hold(CLOSED_IN_TIME, late, now.t_s, seen)

    def _against(self, now_s: float) -> dict[str, Callable[[float], bool]]:
        """Each reason, and whether it holds at a time up to now."""
        world = self._world
        against: dict[str, Callable[[float], bool]] = {
            "rain": lambda t_s: world.weather.rain_mm_per_h(t_s) > 0,
            "sunrise": lambda t_s: world.site.sun_altitude_deg(t_s) > 0,
        }
        if self._table is None:
            return against
        heard_s, silence_s = self._heard_s, self._table.silence_s
        alerts = self._lights | self._beyond
        return against | {
            "the station's alert": lambda t_s: bool(alerts) and t_s >= now_s,
            "the station went away": lambda t_s: heard_s is None and t_s >= now_s,
            "the station's silence": lambda t_s: heard_s is not None and t_s > heard_s + silence_s,
        }

    def _onset_s(self, holds: Callable[[float], bool], now_s: float) -> float:
        """When it began, between the last look and now."""
        if self._looked_s is None:
            return now_s
        before_s, after_s = self._looked_s, now_s
        for _ in range(HALVINGS):
            middle_s = (before_s + after_s) / 2
            before_s, after_s = (before_s, middle_s) if holds(middle_s) else (middle_s, after_s)
        return after_s

    def _beyond_limits(self, readings: Vector) -> set[str]:
        """The readings beyond the owner's own limits."""
        limits = self._table.limits if self._table else {}
        return {
            name
            for name, value in readings.elements.items()
            if (limit := limits.get(name)) is not None
            and any(
                (float(value) < said) if key.startswith("minimum") else (float(value) > said)
                for key, said in (limit.model_extra or {}).items()
            )
        }
