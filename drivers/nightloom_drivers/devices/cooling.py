"""The cooler of a camera: towards a temperature no faster than asked.

Drivers with a ramp of their own are given it; others are led there in small steps. A driver's
temperature is the measured one, so the target is kept here.
"""

import asyncio
import contextlib
import math

from nightloom_drivers.devices.device import ANSWER_S, Device
from nightloom_drivers.errors import DeviceContradicts, DeviceLate
from nightloom_drivers.link import Kind, State, Vector

TEMPERATURE, CELSIUS = "CCD_TEMPERATURE", "CCD_TEMPERATURE_VALUE"

STEP_S = 15.0
"""Own steps of the target: at 2 °C/min half a degree each, as fine as coolers regulate."""

NEAR_C = 0.5
"""Common practice for "at temperature", no source; drivers call ±0.2 °C reached."""

SLACK_S = 300.0
"""A cooler near its limit closes in slowly on the last degrees."""

AIR_C = 15.0
"""Where warming up ends at the latest; it cannot pass the air's own temperature."""


class CooledDevice(Device):
    """A device with CCD_TEMPERATURE, or without: then there is no temperature."""

    @property
    def temperature_c(self) -> float | None:
        """Sensor temperature as last heard, or None without a sensor for it."""
        vector = self.get(TEMPERATURE)
        return vector.number(CELSIUS) if vector else None

    @property
    def cooler_power_percent(self) -> float | None:
        """What the cooler works, or None; drivers disagree on the element's name."""
        vector = self.get("CCD_COOLER_POWER")
        if vector is None or vector.kind is not Kind.NUMBER or not vector.elements:
            return None
        return vector.number(next(iter(vector.elements)))

    async def cool(
        self, target_c: float, ramp_c_per_min: float, deadline_s: float | None = None
    ) -> None:
        """Bring the sensor to a temperature and return when it reads it.

        Raises DeviceLate when it has not come there by the deadline (by default half as long
        again as the ramp takes, and 5 min), DeviceRefused, DeviceGone.
        """
        start_c = self.need(TEMPERATURE).number(CELSIUS)
        lowest_c, highest_c = self.need(TEMPERATURE).limits.get(CELSIUS, (0.0, 0.0))
        if lowest_c < highest_c and not lowest_c <= target_c <= highest_c:
            seen = f"it goes from {lowest_c:g} to {highest_c:g}"
            raise self.cannot(TEMPERATURE, f"{target_c:g} °C", seen)
        ramp_s = abs(target_c - start_c) / ramp_c_per_min * 60
        end_s = asyncio.get_running_loop().time() + (deadline_s or 1.5 * ramp_s + SLACK_S)
        await self._switch_cooler(True)
        if self.has("CCD_TEMP_RAMP", "RAMP_SLOPE"):
            await self._give_ramp(ramp_c_per_min)
        else:
            await self._lead(start_c, target_c, ramp_c_per_min / 60 * STEP_S)
        left_s = max(end_s - asyncio.get_running_loop().time(), ANSWER_S)
        asked = {CELSIUS: float(target_c)}
        await self.command(TEMPERATURE, asked, lambda v: _reads(v, target_c), left_s)

    def is_below(self, target_c: float) -> bool:
        """Whether the sensor is colder than a temperature: in cold air, and no cooler warms it."""
        reached_c = self.temperature_c
        return reached_c is not None and reached_c < target_c - NEAR_C

    async def keep_below(self, target_c: float) -> None:
        """Have the cooler see to it that a sensor that is colder does not become warmer than so."""
        await self._switch_cooler(True)
        self.aim_for(target_c)

    async def warm(self, ramp_c_per_min: float, target_c: float = AIR_C) -> None:
        """Let the sensor warm up gently, then switch the cooler off.

        The air may be colder than `target_c`: then it ends when the ramp's time is over.
        """
        start_c = self.need(TEMPERATURE).number(CELSIUS)
        if start_c < target_c:
            ramp_s = (target_c - start_c) / ramp_c_per_min * 60
            # Late is as warm as the air: that is what warming up is for.
            with contextlib.suppress(DeviceLate, DeviceContradicts):
                await self.cool(target_c, ramp_c_per_min, ramp_s + 60.0)
        await self.cooler_off()

    def aim_for(self, target_c: float) -> None:
        """Give another set point and do not wait for it."""
        self.link.set(self.device, TEMPERATURE, {CELSIUS: target_c})

    async def cooler_off(self) -> None:
        """Switch the cooler off at once."""
        await self._switch_cooler(False)

    async def _switch_cooler(self, on: bool) -> None:
        vector = self.get("CCD_COOLER")
        if vector is None:  # Then setting a temperature is what turns it on.
            return
        chosen, other = ("COOLER_ON", "COOLER_OFF") if on else ("COOLER_OFF", "COOLER_ON")
        # Busy is the standing state of a cooler that works, so the switch alone decides.
        await self.command(
            "CCD_COOLER", {chosen: True, other: False}, lambda v: v.on(chosen), ANSWER_S
        )

    async def _give_ramp(self, ramp_c_per_min: float) -> None:
        lowest, highest = self.need("CCD_TEMP_RAMP").limits.get("RAMP_SLOPE", (0.0, 0.0))
        slope = min(ramp_c_per_min, highest) if highest > lowest else ramp_c_per_min
        await self.put("CCD_TEMP_RAMP", {"RAMP_SLOPE": slope})

    async def _lead(self, start_c: float, target_c: float, step_c: float) -> None:
        for n in range(1, math.ceil(abs(target_c - start_c) / step_c)):
            on_the_way_c = start_c + math.copysign(n * step_c, target_c - start_c)
            self.link.set(self.device, TEMPERATURE, {CELSIUS: on_the_way_c})
            await asyncio.sleep(STEP_S)


def _reads(vector: Vector, target_c: float) -> bool:
    return vector.state is not State.BUSY and abs(vector.number(CELSIUS) - target_c) <= NEAR_C
