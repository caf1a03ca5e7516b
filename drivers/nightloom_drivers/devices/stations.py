"""Several weather stations as one: any that is unsafe or silent makes the weather unsafe."""

import asyncio
import math
from collections.abc import Sequence

from nightloom_drivers.devices.weather import Weather, WeatherReport


class Stations:
    """One weather station or more, each with its own limits."""

    def __init__(self, stations: Sequence[Weather]) -> None:
        if not stations:
            raise ValueError("no weather station")
        self.stations = tuple(stations)

    @property
    def names(self) -> str:
        """Their INDI names, for people."""
        return ", ".join(station.device for station in self.stations)

    def reading(self) -> WeatherReport:
        """The judgement of this moment, with the reasons of all; it never raises.

        Its values bear the station's name in front. Its age is that of the oldest reading; where
        the weather is unsafe, of the youngest among those that say so.
        """
        reports = [station.reading() for station in self.stations]
        unsafe = [report for report in reports if not report.safe]
        values = {
            f"{station.device}.{name}": value
            for station, report in zip(self.stations, reports, strict=True)
            for name, value in report.values.items()
        }
        if unsafe:
            age_s = min(report.age_s for report in unsafe)
        else:
            age_s = max((report.age_s for report in reports), default=math.inf)
        reasons = tuple(reason for report in unsafe for reason in report.reasons)
        return WeatherReport(not unsafe, reasons, values, age_s)

    async def until_unsafe(self) -> WeatherReport:
        """Wait until one of them is unsafe, silence included; at once when one is."""
        while (report := self.reading()).safe:
            watches = [asyncio.create_task(station.until_unsafe()) for station in self.stations]
            try:
                await asyncio.wait(watches, return_when=asyncio.FIRST_COMPLETED)
            finally:
                for watch in watches:
                    watch.cancel()
                await asyncio.gather(*watches, return_exceptions=True)
        return report

    async def until_safe(self, for_s: float = 0.0) -> WeatherReport:
        """Wait until all of them have been safe for `for_s` seconds without a break."""
        while True:
            for station in self.stations:
                await station.until_safe()
            if not (report := self.reading()).safe:
                continue
            if for_s <= 0:
                return report
            try:
                async with asyncio.timeout(for_s):
                    await self.until_unsafe()
            except TimeoutError:
                return self.reading()

    def close(self) -> None:
        """Stop listening."""
        for station in self.stations:
            station.close()
