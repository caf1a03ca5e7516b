"""The guide camera and the guide port as the guide loop needs them: each may fail once."""

import asyncio
from dataclasses import dataclass

from nightloom.faults import Act, kind_of, row_of, tried
from nightloom.frames.image import Frame
from nightloom.guiding import Pulses
from nightloom.guiding.hot_map import HotMap
from nightloom.telemetry import Log
from nightloom.telemetry.events import DeviceTrouble, FrameTimesDoubted
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Camera, GuidePort
from nightloom_drivers.errors import DeviceError


@dataclass(frozen=True, eq=False)
class GuideFrame:
    """A guide frame: its pixels as they came and without hot ones, and when its exposure was asked
    for, on the event loop's time, and had its middle.
    """

    raw: Frame
    image: Frame
    asked_s: float
    middle_s: float


class GuideDevices:
    """Exposes and pulses. A frame that is late or nobody's and a pulse that is refused are tried
    again, or left to the next frame, as often as the table of faults has it; what is gone is
    trouble at once.
    """

    def __init__(
        self, camera: Camera, port: GuidePort, hot_map: HotMap, clock: Clock, log: Log
    ) -> None:
        self._camera, self._port, self._hot_map = camera, port, hot_map
        self._clock, self._log = clock, log
        self._refused = 0
        self._doubted = False
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
        return await tried(
            row_of(Act.GUIDE_FRAME),
            lambda: self._expose(exposure_s),
            lambda error: self._note(error, "another guide frame"),
        )

    async def pulse(self, pulses: Pulses) -> bool:
        """Give pulses; False when they were refused, or their end not seen. Raises DeviceError."""
        if not pulses.duration_ms:
            return True
        try:
            await self._port.pulse(
                west_ms=pulses.west_ms - pulses.east_ms, north_ms=pulses.north_ms - pulses.south_ms
            )
        except DeviceError as error:
            row, self._refused = row_of(Act.PULSE), self._refused + 1
            if kind_of(error) not in row.kinds or self._refused >= row.tries:
                raise
            self._note(error, "the next guide frame shows what is missing")
            return False
        finally:
            self.moved_s = asyncio.get_running_loop().time()
        self._refused = 0
        return True

    async def _expose(self, exposure_s: float) -> GuideFrame:
        asked_s = asyncio.get_running_loop().time()
        exposure = await self._camera.begin(exposure_s)
        middle_s = self._clock.unix_s() + exposure_s / 2
        frame = await exposure.frame()
        if frame.doubt and not self._doubted:
            self._doubted = True
            self._log.emit(FrameTimesDoubted(device=self._camera.device, seen=frame.doubt))
        raw = frame.data
        return GuideFrame(raw, self._hot_map.mended(raw), asked_s, middle_s)

    def _note(self, error: Exception, next_step: str) -> None:
        if isinstance(error, DeviceError):
            self._log.emit(DeviceTrouble.of(error, next_step))
