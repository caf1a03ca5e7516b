"""Place and time of a device: told to it, and read back, since drivers overwrite both."""

import math
from datetime import UTC, datetime

from nightloom_drivers.devices.device import ANSWER_S, Device
from nightloom_drivers.link import State, Vector

TIME_TOLERANCE_S = 60.0
"""A minute of time moves the sky by 15′: enough to point, too little for a wrong date."""

PLACE_TOLERANCE_DEG = 0.01
"""36″: mounts that keep whole arcminutes are up to 30″ off."""


class PlacedDevice(Device):
    """A device that must know where it stands and what time it is."""

    async def set_place(
        self, latitude_deg: float, longitude_deg: float, elevation_m: float
    ) -> None:
        """Tell where it stands (longitude east positive) and read it back."""
        east_deg = longitude_deg % 360
        asked = {"LAT": latitude_deg, "LONG": east_deg, "ELEV": elevation_m}

        def here(vector: Vector) -> bool:
            turn_deg = (vector.number("LONG") - east_deg + 180) % 360 - 180
            off_deg = max(abs(vector.number("LAT") - latitude_deg), abs(turn_deg))
            return vector.state is not State.BUSY and off_deg <= PLACE_TOLERANCE_DEG

        await self.command("GEOGRAPHIC_COORD", asked, here, ANSWER_S)

    async def set_time(self, utc: datetime) -> None:
        """Tell the time, an aware datetime, and read it back."""
        utc = utc.astimezone(UTC)
        asked = {"UTC": f"{utc:%Y-%m-%dT%H:%M:%S}", "OFFSET": "0.00"}

        def now(vector: Vector) -> bool:
            told = _utc(vector.text("UTC"))
            off_s = abs((told - utc).total_seconds()) if told else math.inf
            return vector.state is not State.BUSY and off_s <= TIME_TOLERANCE_S

        await self.command("TIME_UTC", asked, now, ANSWER_S)


def _utc(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text).replace(tzinfo=UTC)
    except ValueError:
        return None
