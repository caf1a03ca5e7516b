"""The guide camera and the guide port as the guide loop needs them: each may fail once."""

import asyncio
from dataclasses import dataclass

from nightloom.frames.image import Pixels
from nightloom.guiding import Pulses
from nightloom.guiding.hot_map import HotMap
from nightloom.telemetry import Log
from nightloom.telemetry.events import DeviceTrouble
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Camera, GuidePort
from nightloom_drivers.errors import DeviceError, DeviceLate, DeviceRefused


@dataclass(frozen=True, eq=False)
class GuideFrame:
    """A guide frame: its pixels as they came and without hot ones, and when its exposure was asked
    for, on the event loop's time, and had its middle.
    """

    raw: Pixels
    image: Pixels
    asked_s: float
    middle_s: float


class GuideDevices:
    """Exposes and pulses. A frame that comes late and a pulse that is refused are tried again, or
    left to the next frame; two in a row are trouble. What is gone is trouble at once.
    """

    def __init__(
        self, camera: Camera, port: GuidePort, hot_map: HotMap, clock: Clock, log: Log
    ) -> None:
        self._camera, self._port, self._hot_map = camera, port, hot_map
        self._clock, self._log = clock, log
        self._refused = False
        self.moved_s = float("-inf")
        """When the last pulse ended, on the event loop's time."""

    @property
    def port_device(self) -> str:
        """The name of the device that takes the pulses."""
        return self._port.device

    @property
    def guide_rates_sidereal(self) -> tuple[float, float] | None:
        """Guide rates of right ascension and declination in sidereal rates; None when not told."""
        return self._port.rates

    async def frame(self, exposure_s: float) -> GuideFrame:
        """Take a frame. Raises DeviceError."""
        try:
            return await self._expose(exposure_s)
        except (DeviceLate, DeviceRefused) as error:
            self._note(error, "another guide frame")
            return await self._expose(exposure_s)

    async def pulse(self, pulses: Pulses) -> bool:
        """Give pulses; False when they were refused, or their end not seen. Raises DeviceError."""
        if not pulses.duration_ms:
            return True
        try:
            await self._port.pulse(
                west_ms=pulses.west_ms - pulses.east_ms, north_ms=pulses.north_ms - pulses.south_ms
            )
        except (DeviceLate, DeviceRefused) as error:
            if self._refused:
                raise
            self._refused = True
            self._note(error, "the next guide frame shows what is missing")
            return False
        finally:
            self.moved_s = asyncio.get_running_loop().time()
        self._refused = False
        return True

    async def _expose(self, exposure_s: float) -> GuideFrame:
        asked_s = asyncio.get_running_loop().time()
        exposure = await self._camera.begin(exposure_s)
        middle_s = self._clock.unix_s() + exposure_s / 2
        raw = (await exposure.frame()).data
        return GuideFrame(raw, self._hot_map.mended(raw), asked_s, middle_s)

    def _note(self, error: DeviceError, next_step: str) -> None:
        self._log.emit(DeviceTrouble.of(error, next_step))
