"""Waits until the guide stars rest at the hold point."""

import math
from dataclasses import dataclass

from nightloom.guiding.readings import Reading, Readings
from nightloom.guiding.rest import RestPolicy, SettleState, settled
from nightloom.telemetry import Log
from nightloom.telemetry.events import RestNotReached
from nightloom_drivers.clock import Clock

LAST = 4
"""Guide frames whose error decides, when settling takes too long, whether a sub may begin."""


@dataclass(frozen=True)
class Unrest:
    """The error of the last frames when the deadline came first; NaN when a star was missing.

    `is_far`: it is more than is called rest and more than the air makes.
    """

    rms_arcsec: float
    is_far: bool


class Settling:
    """Listens to the readings until they rest. What rest is, `RestPolicy` says."""

    def __init__(
        self,
        readings: Readings,
        policy: RestPolicy,
        scale_arcsec_per_px: float,
        clock: Clock,
        log: Log,
    ) -> None:
        self._readings, self._policy = readings, policy
        self._scale = scale_arcsec_per_px
        self._clock, self._log = clock, log

    async def rest(self) -> Unrest | None:
        """Wait for rest; what there was instead, and a line in the log, when the deadline came
        first. Raises as `Readings.next` does.
        """
        began_s = self._clock.unix_s()
        heard: list[Reading] = []
        state = SettleState.WAITING
        while state is SettleState.WAITING:
            heard.append(await self._readings.next())
            times_s = [one.at_s for one in heard]
            distances = [self._distance(one) for one in heard]
            state = settled(times_s, distances, self._policy, started_s=began_s)
        if state is SettleState.SETTLED:
            return None
        last = heard[-LAST:]
        rms_px = math.sqrt(sum(one.error_px**2 for one in last) / len(last))
        unrest = Unrest(rms_px * self._scale, self._policy.is_far(rms_px, last[-1].seeing_px))
        waited_s = heard[-1].at_s - began_s
        self._log.emit(RestNotReached(error_arcsec=unrest.rms_arcsec, waited_s=waited_s))
        return unrest

    def _distance(self, reading: Reading) -> float:
        """Distance in scatters; infinite where it is far, whatever the scatter."""
        if self._policy.is_far(reading.error_px, reading.seeing_px):
            return math.inf
        return reading.distance
