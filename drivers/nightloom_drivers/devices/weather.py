"""The weather station. Safe is what it says afresh, in full and without a doubt; silence is not.

Safe means: its parameters were heard lately, in a good state and all finite, and are not the same
for too long; each light of its judgement is on, and none is Alert; no override is on; and no limit
of our own is broken, or said in another unit than the station's. Ages count on the event loop's
time, which no step of the calendar reaches. Every reason names the station.
"""

import asyncio
import math
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field

from nightloom_drivers.clock import Clock
from nightloom_drivers.devices.device import Device
from nightloom_drivers.devices.weather_units import Limit, quantity, stated_unit
from nightloom_drivers.link import (
    Defined,
    Event,
    Link,
    Lost,
    Removed,
    State,
    Updated,
    Value,
    Vector,
)

PARAMETERS = "WEATHER_PARAMETERS"
JUDGEMENTS = ("WEATHER_STATUS", "SAFETY_STATUS")
TEMPERATURE = "WEATHER_TEMPERATURE"
"""A station that measures it never says the same for long: air does not hold still."""
OF_AIR = ("TEMPERATURE", "HUMIDITY", "PRESSURE", "DEW", "WIND", "CLOUD", "SKY")
"""In the names of what air and sky change; a battery or a counter that changes proves nothing."""
OVERRIDES = ("WEATHER_OVERRIDE", "SAFETY_OVERRIDE")

IMPOSSIBLE = -273.15
"""No weather quantity is below absolute zero; stations write −999 or −9999 for "no value"."""


@dataclass(frozen=True)
class WeatherSettings:
    """`limits`: our own, by INDI parameter name.

    A station that measures the temperature and repeats all of the air's values for `frozen_s`
    counts as silent; None lets it repeat them for ever.
    """

    silence_s: float = 180.0
    limits: Mapping[str, Limit] = field(default_factory=dict)
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
        reasons = [*self._silence(age_s), *self._doubts(values), *self._warnings(values)]
        named = tuple(f"{self.device}: {reason}" for reason in reasons)
        return WeatherReport(not named, named, values, age_s)

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
                    if (said := _of_air(vector)) != self._said:
                        self._said, self._changed_s = said, self._heard_s
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
        reasons = [f"{name} reads {values[name]:g}, no possible value" for name in odd]
        parameters, lights = self.get(PARAMETERS), list(self._lights())
        if parameters is not None:
            for name, limit in self.settings.limits.items():
                unfit = limit.unfit_for(parameters, name)
                reasons += [f"{name} {unfit}"] if unfit else []
            if not self.settings.limits and not lights:
                reasons.append("the station judges nothing and no limit is set")
        return reasons + [f"{name} is not judged" for name, light in lights if light == State.IDLE]

    def _lights(self) -> Iterator[tuple[str, Value]]:
        """The station's own judgements: one light for each parameter that it thinks critical."""
        for name in JUDGEMENTS:
            vector = self.get(name)
            yield from vector.elements.items() if vector else ()

    def _warnings(self, values: Mapping[str, float]) -> list[str]:
        reasons = []
        for name in JUDGEMENTS:
            vector = self.get(name)
            lights = vector.elements.items() if vector else ()
            alerts = [light for light, state in lights if state == State.ALERT]
            if vector and vector.state is State.ALERT and not alerts:
                alerts = [name]
            reasons += [f"{light} is in alert{self._details(light, values)}" for light in alerts]
        for name in OVERRIDES:
            vector = self.get(name)
            if vector and True in vector.elements.values():
                reasons.append(f"{name} is on")
        for name, limit in self.settings.limits.items():
            broken = limit.broken_by(values.get(name, math.nan))
            reasons += [f"{name} {broken}"] if broken else []
        return reasons

    def _details(self, name: str, values: Mapping[str, float]) -> str:
        """The value behind a light, and what the station calls good, as far as it says so."""
        parameters, good = self.get(PARAMETERS), self.get(name)
        if parameters is None or name not in values:
            return ""
        unit = stated_unit(parameters.labels.get(name, ""), parameters.formats.get(name, "")) or ""
        seen = f" at {quantity(values[name], unit)}"
        if good is None or not {"MIN_OK", "MAX_OK"} <= set(good.elements):
            return seen
        highest = quantity(good.number("MAX_OK"), unit)
        return f"{seen}; the station's own limits are {good.number('MIN_OK'):g} to {highest}"


def _of_air(parameters: Vector) -> dict[str, Value]:
    """What changes as long as the station measures."""
    elements = parameters.elements.items()
    return {name: value for name, value in elements if any(word in name for word in OF_AIR)}


def _now_s() -> float:
    """The event loop's time, which goes on evenly whatever the calendar does."""
    return asyncio.get_running_loop().time()
