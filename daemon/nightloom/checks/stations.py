"""Whether a weather station measures what it has limits for, in their units, and often enough."""

from collections.abc import Iterator
from contextlib import AbstractAsyncContextManager

from nightloom.settings import Problem
from nightloom.settings.observatory import Weather
from nightloom_drivers.errors import DeviceLate
from nightloom_drivers.link import Link, Vector

BURST_S = 1.0
"""Drivers define what they have in one burst."""

Shown = AbstractAsyncContextManager[Vector | None]


async def station_problems(said: Weather, place: str, link: Link, shown: Shown) -> list[Problem]:
    """Problems of the station behind a section; `shown` brings its parameters, or None."""
    async with shown as parameters:
        if parameters is None:
            wrong = "does not answer when it is switched on"
            return [Problem("observatory.toml", f"{place}.device", said.device, wrong)]
        period_s = await _period_s(link, said.device)
        return [*_limits(said, place, parameters), *_period(said, place, period_s)]


async def _period_s(link: Link, device: str) -> float | None:
    """How long it rests between two readings; None where it does not say."""
    try:
        update = await link.wait(device, "WEATHER_UPDATE", lambda _: True, timeout_s=BURST_S)
    except DeviceLate:
        return None
    return update.number("PERIOD") if "PERIOD" in update else None


def _limits(said: Weather, place: str, parameters: Vector) -> Iterator[Problem]:
    for name, table in said.limits.items():
        wrong = table.limit.unfit_for(parameters, name)
        if wrong:
            measured = ", ".join(parameters.elements)
            there = "" if name in parameters else f"; the station measures {measured}"
            said_in = dict(table.model_extra or {})
            yield Problem("observatory.toml", f"{place}.limit.{name}", said_in, f"{wrong}{there}")


def _period(said: Weather, place: str, period_s: float | None) -> Iterator[Problem]:
    """It must speak before it counts as silent."""
    if period_s is None or 0 < period_s < said.silence_s:
        return
    wrong = (
        f"is no longer than the station rests between two readings, {period_s:g} s"
        if period_s
        else "is waited for in vain: the station's WEATHER_UPDATE is 0, and it reads no more"
    )
    yield Problem("observatory.toml", f"{place}.silence_s", said.silence_s, wrong)
