"""The focuser: arrived when it reads the position and stays there.

Real drivers say Ok while the motor turns, or Busy long after it stopped; some simulators never
say Busy. So the position decides, and the state only says how soon it is believed.
"""

import asyncio
import math
from dataclasses import dataclass

from nightloom_drivers.clock import Clock
from nightloom_drivers.devices.device import ANSWER_S, Device, described
from nightloom_drivers.errors import DeviceContradicts, DeviceLate
from nightloom_drivers.link import Link, State, Vector

POSITION, STEPS = "ABS_FOCUS_POSITION", "FOCUS_ABSOLUTE_POSITION"

NO_PROBE_C = -100.0
"""Drivers report −273 or the like when no temperature probe is plugged in."""

STILL_BUSY_S = 2.0
"""A position held this long, two polls of a driver, is believed although the state stays Busy."""


@dataclass(frozen=True)
class FocuserSettings:
    """`stable_s`: how long the position must hold before it is believed."""

    minimum_steps: int | None = None
    maximum_steps: int | None = None
    tolerance_steps: int = 1
    stable_s: float = 0.5
    slowest_steps_per_s: float = 100.0
    answer_s: float = 15.0


class Focuser(Device):
    """A focuser with absolute positions; rising positions are outward."""

    needed = (POSITION,)

    def __init__(self, link: Link, device: str, settings: FocuserSettings, clock: Clock) -> None:
        super().__init__(link, device, clock)
        self.settings = settings
        self._last_steps: float | None = None

    async def prepare(self) -> None:
        # Drivers take up backlash in different ways; the approach from one side is ours.
        self.want("FOCUS_BACKLASH_TOGGLE", {"INDI_DISABLED": True, "INDI_ENABLED": False})

    @property
    def position_steps(self) -> int:
        """Position as last heard, also while moving; a report that is no number leaves the last.

        Raises DeviceGone, and DeviceContradicts when there was none yet.
        """
        vector = self.need(POSITION)
        if math.isfinite(vector.number(STEPS)):
            self._last_steps = vector.number(STEPS)
        if self._last_steps is None:
            raise DeviceContradicts(
                self.device, POSITION, asked="a position", seen=f"it reads {described(vector)}"
            )
        return round(self._last_steps)

    @property
    def is_moving(self) -> bool:
        """Whether the driver says so; some never do."""
        return self.need(POSITION).state is State.BUSY

    @property
    def temperature_c(self) -> float | None:
        """What the probe reads, or None when there is none."""
        vector = self.get("FOCUS_TEMPERATURE")
        celsius = vector.number("TEMPERATURE") if vector else NO_PROBE_C
        return celsius if celsius > NO_PROBE_C else None  # NaN is not

    @property
    def limits_steps(self) -> tuple[int, int]:
        """The lowest and highest position that may be asked for: the driver's, cut to ours."""
        lowest, highest = self.need(POSITION).limits.get(STEPS, (0.0, 0.0))
        if not lowest < highest:
            lowest, highest = 0.0, 1e9
        low, high = self.settings.minimum_steps, self.settings.maximum_steps
        return (
            max(round(lowest), low if low is not None else round(lowest)),
            min(round(highest), high if high is not None else round(highest)),
        )

    async def move_to(self, steps: int) -> None:
        """Move to a position and return when it is held.

        Raises DeviceRefused (outside the limits, or Alert), DeviceLate (the motor is halted),
        DeviceContradicts (it settled elsewhere), DeviceGone. Cancelling halts the motor.
        """
        lowest, highest = self.limits_steps
        if not lowest <= steps <= highest:
            raise self.refuse(POSITION, f"{steps} steps", f"its limits are {lowest} to {highest}")
        deadline_s = self._deadline_s(steps)
        try:
            seen = await self.command(
                POSITION, {STEPS: float(steps)}, lambda v: self._near(v, steps), deadline_s
            )
            await self._held(seen, steps)
        except (asyncio.CancelledError, DeviceLate) as reason:
            self.stop_for(reason, "FOCUS_ABORT_MOTION")
            raise

    async def halt(self) -> None:
        """Stop the motor where it is."""
        sent = self.link.set(self.device, "FOCUS_ABORT_MOTION", {"ABORT": True})
        if self.is_moving:
            await self.outcome(
                POSITION, lambda v: v.state is not State.BUSY, sent, ANSWER_S, "to stop"
            )

    async def sync(self, steps: int) -> None:
        """Call the present position `steps`; nothing moves."""
        sent = self.link.set(self.device, "FOCUS_SYNC", {"FOCUS_SYNC_VALUE": float(steps)})
        await self.outcome(
            POSITION, lambda v: self._near(v, steps), sent, ANSWER_S, f"to be called {steps}"
        )

    def _near(self, vector: Vector, steps: int) -> bool:
        return abs(vector.number(STEPS) - steps) <= self.settings.tolerance_steps

    async def _held(self, seen: Vector, steps: int) -> None:
        """Wait until the position has held; passing through it on the way is not arriving."""
        end_s = asyncio.get_running_loop().time() + self._deadline_s(steps)
        while asyncio.get_running_loop().time() < end_s:
            hold_s = STILL_BUSY_S if seen.state is State.BUSY else self.settings.stable_s
            try:
                seen = await self.link.wait(
                    self.device,
                    POSITION,
                    lambda v: not self._near(v, steps) or v.state is State.ALERT,
                    after=seen.serial,
                    timeout_s=hold_s,
                )
            except DeviceLate:
                return
            if seen.state is State.ALERT:
                raise self.refuse(POSITION, f"{steps} steps", f"it reads {described(seen)}")
            left_s = max(end_s - asyncio.get_running_loop().time(), 0.0)
            seen = await self.outcome(
                POSITION, lambda v: self._near(v, steps), seen.serial, left_s, f"{steps} steps"
            )
        raise DeviceLate(self.device, POSITION, asked=f"{steps} steps", seen="it does not hold")

    def _deadline_s(self, steps: int) -> float:
        distance = abs(steps - self.position_steps)
        return self.settings.answer_s + distance / self.settings.slowest_steps_per_s
