"""The guide loop: exposes, measures, corrects, again and again, from one slew to the next."""

import asyncio
import math

from nightloom.guiding import Control, GuideStatistics, Measurement
from nightloom.guiding.devices import GuideDevices, GuideFrame
from nightloom.guiding.held_stars import HeldStars
from nightloom.guiding.kept_calibrations import CalibrationKeeper
from nightloom.guiding.readings import Reading, Readings
from nightloom_drivers.clock import Clock

LITTLE = 1.0
"""A lead of less than this many scatters is left to the next correction: no frame is smeared."""


class GuideLoop:
    """Holds stars that were chosen, by a control that was made for them, until it is cancelled.

    Others ask it for things; it does them between two frames, and answers.
    """

    def __init__(
        self,
        devices: GuideDevices,
        stars: HeldStars,
        keeper: CalibrationKeeper,
        control: Control,
        readings: Readings,
        exposure_s: float,
        scale_arcsec_per_px: float,
        clock: Clock,
    ) -> None:
        self._devices, self._stars, self._keeper = devices, stars, keeper
        self._readings, self._exposure_s, self._clock = readings, exposure_s, clock
        self._scale = scale_arcsec_per_px
        self.control = control
        self.statistics = GuideStatistics(scale_arcsec_per_px)
        """The guide error since it was last set to a fresh one."""
        self._hands = asyncio.Lock()
        """Held by who moves the mount, so that corrections and dithers do not mix."""
        self._asked: list[asyncio.Future[None]] = []
        """Requests to measure the calibration anew that are not answered yet."""
        self._end: Exception | None = None

    async def run(self) -> None:
        """Hold the stars. Raises DeviceError."""
        while True:
            await self._answer()
            frame = await self._devices.frame(self._stars.times_longer * self._exposure_s)
            async with self._hands:
                if frame.asked_s < self._devices.moved_s:
                    continue  # the telescope was led elsewhere meanwhile
                exposed = self._stars.times_longer
                seen = await self._stars.look(frame)
                self._take(frame, seen, exposed)
                self.control = self._keeper.checked(self.control, self.statistics)
                await self._correct()
                await self._stars.tend(frame, seen)

    def end(self, why: Exception) -> None:
        """It has ended: who waits for an answer or a reading, or asks later, is told why."""
        self._end = why
        self._readings.end(why)
        for answer in self._asked:
            if not answer.done():
                answer.set_exception(why)

    async def lead(self, west_arcsec: float, north_arcsec: float) -> None:
        """Move the hold point, and the telescope after it by pulses on both axes at once.

        A frame that was being exposed meanwhile says nothing. A short way is left to the next
        correction, which is quicker then. Raises DeviceError, and what ended the loop.
        """
        async with self._hands:
            if self._end is not None:
                raise self._end
            control = self.control
            north = -north_arcsec if control.calibration.north_is_south else north_arcsec
            way_px = (west_arcsec / self._scale, north / self._scale)
            shift_px = control.calibration.from_axes(*way_px)
            self._stars.move_hold_point(*shift_px)
            pulses = control.lead(*way_px)
            if control.distance(*way_px) > LITTLE and await self._devices.pulse(pulses):
                control.given(pulses)
            else:
                self._stars.not_led(*shift_px)

    async def calibrate_anew(self) -> None:
        """Ask for the calibration to be measured anew before the next frame, and wait until it is.

        Raises what ended the loop.
        """
        if self._end is not None:
            raise self._end
        answer = asyncio.get_running_loop().create_future()
        self._asked.append(answer)
        await answer

    async def _answer(self) -> None:
        """Do what is asked for by somebody who still waits for it."""
        self._asked = [answer for answer in self._asked if not answer.done()]
        if not self._asked:
            return
        async with self._hands:
            self.control = await self._keeper.anew(self.control, self._look_near)
        for answer in self._asked:
            if not answer.done():
                answer.set_result(None)

    async def _look_near(self) -> Measurement:
        return await self._stars.look_near(await self._devices.frame(self._exposure_s))

    def _take(self, frame: GuideFrame, seen: Measurement, times_longer: float) -> None:
        """Learn from one frame, and tell all who listen."""
        control = self.control
        ra_px, dec_px = control.calibration.to_axes(seen.dx_px, seen.dy_px)
        distance = control.distance(ra_px, dec_px)
        control.observe(frame.middle_s, ra_px, dec_px)
        self.statistics = self.statistics.add(ra_px, dec_px, control.air_px)
        self._readings.tell(
            Reading(
                at_s=self._clock.unix_s(),
                error_px=math.hypot(seen.dx_px, seen.dy_px),
                distance=distance,
                seeing_px=control.seeing_px,
                held=seen.held,
                chosen=len(seen.is_held),
                flux_ratio=seen.flux_ratio / times_longer,
                width_px=seen.width_px,
            )
        )

    async def _correct(self) -> None:
        """Give the pulses that the next frame needs; unseen stars are followed for a while."""
        if self._stars.are_lost:
            return
        pulses = self.control.correct(self._clock.unix_s() + self._exposure_s / 2)
        if await self._devices.pulse(pulses):
            self.control.given(pulses)
