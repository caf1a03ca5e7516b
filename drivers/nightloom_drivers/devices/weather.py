"""The weather station. Safe is what it says afresh, in full and without a doubt; silence is not.

Safe means: its parameters were heard lately, in a good state and all finite, and are not the same
for too long; no light of its judgement is Alert; no override is on; and no limit of our own is
broken. Ages count on the event loop's time, which no step of the calendar reaches.
"""

import asyncio
import math
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field

from nightloom_drivers.clock import Clock
from nightloom_drivers.devices.device import Device
from nightloom_drivers.link import Defined, Event, Link, Lost, Removed, State, Updated, Value

PARAMETERS = "WEATHER_PARAMETERS"
JUDGEMENTS = ("WEATHER_STATUS", "SAFETY_STATUS")
TEMPERATURE = "WEATHER_TEMPERATURE"
"""A station that measures it never says the same for long: air does not hold still."""
OVERRIDES = ("WEATHER_OVERRIDE", "SAFETY_OVERRIDE")

IMPOSSIBLE = -273.15
"""No weather quantity is below absolute zero; stations write −999 or −9999 for "no value"."""


@dataclass(frozen=True)
class WeatherSettings:
    """`limits`: own (lowest, highest) safe values by INDI parameter name, None for no limit.

    A station that measures the temperature and repeats all its values for `frozen_s` counts as
    silent; None lets it repeat them for ever.
    """

    silence_s: float = 180.0
    limits: Mapping[str, tuple[float | None, float | None]] = field(default_factory=dict)
    frozen_s: float | None = 1800.0


@dataclass(frozen=True)
class WeatherReport:
    """One judgement. `age_s` is the age of the last good reading, infinite when there is none."""

    safe: bool
    reasons: tuple[str, ...]
    values: Mapping[str, float]
    age_s: float

    @property
    def never_heard(self) -> bool:
        """Whether the station has not spoken since it was connected, or is not there."""
        return math.isinf(self.age_s)


class Weather(Device):
    """A weather station or safety monitor."""

    needed = (PARAMETERS,)

    def __init__(self, link: Link, device: str, settings: WeatherSettings, clock: Clock) -> None:
        super().__init__(link, device, clock)
        self.settings = settings
        self._heard_s = -math.inf
        self._said: Mapping[str, Value] = {}
        self._changed_s = -math.inf
        """When it said something new; neither link nor driver makes old values new."""
        self._news = asyncio.Event()
        self._ears = ExitStack()

    async def prepare(self) -> None:
        self._ears.close()
        self._ears.enter_context(self.link.listen(self._hear))
        if self.has("WEATHER_REFRESH", "REFRESH"):
            # What was defined on connecting may be old: have it measured again.
            self.link.set(self.device, "WEATHER_REFRESH", {"REFRESH": True})

    def close(self) -> None:
        """Stop listening."""
        self._ears.close()

    def reading(self) -> WeatherReport:
        """The judgement of this moment, from what has been heard; it never raises."""
        vector = self.get(PARAMETERS)
        values = {name: vector.number(name) for name in vector.elements} if vector else {}
        age_s = _now_s() - self._heard_s
        reasons = (*self._silence(age_s), *self._doubts(values), *self._warnings(values))
        return WeatherReport(not reasons, reasons, values, age_s)

    async def news(self) -> None:
        """Wait until something was heard that may change the judgement.

        Silence makes no news: `until_unsafe` keeps that time.
        """
        self._news.clear()
        await self._news.wait()

    async def until_unsafe(self) -> WeatherReport:
        """Wait until the weather is unsafe, silence included; at once when it is."""
        return await self._until(safe=False)

    async def until_safe(self, for_s: float = 0.0) -> WeatherReport:
        """Wait until the weather has been safe for `for_s` seconds without a break."""
        while True:
            report = await self._until(safe=True)
            if for_s <= 0:
                return report
            try:
                async with asyncio.timeout(for_s):
                    await self.until_unsafe()
            except TimeoutError:
                return self.reading()

    async def _until(self, *, safe: bool) -> WeatherReport:
        while (report := self.reading()).safe is not safe:
            # While all is well, silence is the one change that comes without an event.
            left_s = self._until_silent_s(report.age_s) + 0.001 if report.safe else None
            try:
                async with asyncio.timeout(left_s):
                    await self.news()
            except TimeoutError:
                continue
        return report

    def _hear(self, event: Event) -> None:
        match event:
            case Updated(vector) if vector.device == self.device:
                good = vector.state in (State.OK, State.BUSY)
                if vector.name == PARAMETERS and good:
                    self._heard_s = _now_s()
                    if vector.elements != self._said:
                        self._said, self._changed_s = dict(vector.elements), self._heard_s
            case Defined(vector) if vector.device == self.device:
                pass  # What a definition holds may be of any age.
            case Removed(self.device, "" | "WEATHER_PARAMETERS") | Lost():
                self._heard_s = -math.inf
            case _:
                return
        self._news.set()

    def _until_silent_s(self, age_s: float) -> float:
        """How long all stays well when nothing more is heard, or only the same."""
        silent_s, frozen_s = self.settings.silence_s - age_s, self._frozen_after_s()
        return silent_s if frozen_s is None else min(silent_s, frozen_s - self._same_for_s())

    def _frozen_after_s(self) -> float | None:
        return self.settings.frozen_s if self.has(PARAMETERS, TEMPERATURE) else None

    def _same_for_s(self) -> float:
        return _now_s() - self._changed_s

    def _silence(self, age_s: float) -> list[str]:
        vector = self.get(PARAMETERS)
        if not self.link.connected or vector is None:
            return ["the station is gone"]
        if vector.state is State.ALERT:
            return ["the station reports a failure"]
        if math.isinf(age_s):
            return ["the station has not been heard yet"]
        if age_s > self.settings.silence_s:
            return [f"the station has been silent for {age_s:.0f} s"]
        frozen_s, same_for_s = self._frozen_after_s(), self._same_for_s()
        if frozen_s is not None and same_for_s > frozen_s:
            return [f"the station has repeated the same values for {same_for_s:.0f} s"]
        return []

    def _doubts(self, values: Mapping[str, float]) -> list[str]:
        odd = [name for name, value in values.items() if not math.isfinite(value)]
        odd += [name for name, value in values.items() if value < IMPOSSIBLE]
        unknown = [name for name in self.settings.limits if name not in values]
        reasons = [f"{name} reads {values[name]:g}, no possible value" for name in odd]
        reasons += [f"{name} has a limit and is not measured" for name in unknown]
        if not self.settings.limits and not any(self.has(name) for name in JUDGEMENTS):
            reasons.append("the station judges nothing and no limit is set")
        return reasons

    def _warnings(self, values: Mapping[str, float]) -> list[str]:
        reasons = []
        for name in JUDGEMENTS:
            vector = self.get(name)
            lights = vector.elements.items() if vector else ()
            alerts = [light for light, state in lights if state == State.ALERT]
            if vector and vector.state is State.ALERT and not alerts:
                alerts = [name]
            reasons += [f"{light} is in alert" for light in alerts]
        for name in OVERRIDES:
            vector = self.get(name)
            if vector and True in vector.elements.values():
                reasons.append(f"{name} is on")
        for name, (lowest, highest) in self.settings.limits.items():
            value = values.get(name, math.nan)
            if lowest is not None and value < lowest:
                reasons.append(f"{name} {value:g} is below {lowest:g}")
            if highest is not None and value > highest:
                reasons.append(f"{name} {value:g} is above {highest:g}")
        return reasons


def _now_s() -> float:
    """The event loop's time, which goes on evenly whatever the calendar does."""
    return asyncio.get_running_loop().time()
