"""The camera: what it is, how it is set, and its exposures one at a time."""

import asyncio
import contextlib
from contextlib import ExitStack
from datetime import datetime

from nightloom_drivers.clock import Clock
from nightloom_drivers.devices.chip import CHIPS, CameraInfo, CameraSettings
from nightloom_drivers.devices.cooling import CooledDevice
from nightloom_drivers.devices.device import ANSWER_S
from nightloom_drivers.devices.exposure import CameraFrame, Exposure
from nightloom_drivers.devices.fits_image import FitsImage
from nightloom_drivers.errors import DeviceError, DeviceRefused
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.link import Link, State

CONTROLS = ("CCD_GAIN", "CCD_OFFSET", "CCD_CONTROLS")
"""Where drivers keep gain and offset, in elements of many spellings."""


class Camera(CooledDevice):
    """One chip of a camera. At most one exposure runs; a new one aborts the one before."""

    def __init__(self, link: Link, device: str, settings: CameraSettings, clock: Clock) -> None:
        super().__init__(link, device, clock)
        self.settings = settings
        self.chip = CHIPS[settings.chip]
        (self.beside,) = (chip for name, chip in CHIPS.items() if name != settings.chip)
        self.needed = (self.chip.exposure, f"{self.chip.prefix}_INFO")
        self.running: Exposure | None = None
        self.discarded = 0
        """Frames that were not the ones waited for, since the start."""
        self.last_discard = ""
        self.last_start: datetime | None = None
        """DATE-OBS of the last frame, which no other frame can have."""
        self._discards: list[str] = []
        self._ears = ExitStack()
        self._leaving: set[asyncio.Task[None]] = set()

    async def prepare(self) -> None:
        self.link.keep_blobs(self.device)
        await self.link.wait(
            self.device,
            f"{self.chip.prefix}_INFO",
            lambda v: v.number("CCD_MAX_X") > 0 and v.number("CCD_MAX_Y") > 0,
            timeout_s=ANSWER_S,
            asked="the size of the chip",
        )
        self._want_modes()
        self._want_binning(self.settings.binning)
        self.want(f"{self.chip.prefix}_FRAME", self._whole())
        for control in ("gain", "offset"):
            value = getattr(self.settings, control)
            if value is not None:
                self._want_control(control, value)

    @property
    def info(self) -> CameraInfo:
        """What the driver says about the chip."""
        vector = self.need(f"{self.chip.prefix}_INFO")
        return CameraInfo(
            round(vector.number("CCD_MAX_X")),
            round(vector.number("CCD_MAX_Y")),
            vector.number("CCD_PIXEL_SIZE"),
            round(float(vector.elements.get("CCD_BITSPERPIXEL", 0))),
        )

    @property
    def pixel_um(self) -> float:
        """Size of a pixel of its frames, binning included; NaN when nobody tells."""
        return (self.settings.pixel_um or self.info.pixel_um) * self.settings.binning

    # Exposing ---------------------------------------------------------------------------------

    async def begin(self, exposure_s: float, kind: FrameKind = FrameKind.LIGHT) -> Exposure:
        """Start an exposure and return when the driver has. The mount, the wheel and the focuser
        must be at rest: nothing in INDI sees to that.

        Raises DeviceRefused, DeviceLate, DeviceContradicts (a setting does not hold), DeviceGone.
        """
        vector = self.need(self.chip.exposure)
        asked_s = self._checked(exposure_s, kind)
        if self.running is not None or vector.state is State.BUSY:
            await self.abort()
        await self.restore()
        await self._set_kind(kind)
        exposure = self.running = Exposure(self, asked_s, kind)
        self._discards = []
        self._ears.enter_context(self.link.listen(exposure.hear))
        try:
            self.link.set(self.device, self.chip.exposure, {self.chip.exposure_value: asked_s})
            await exposure.begun()
        except asyncio.CancelledError:
            await self.leave(exposure)
            raise
        except DeviceError:
            self.end(exposure)
            raise
        return exposure

    async def expose(self, exposure_s: float, kind: FrameKind = FrameKind.LIGHT) -> CameraFrame:
        """Expose and return the frame."""
        return await (await self.begin(exposure_s, kind)).frame()

    async def abort(self) -> None:
        """End the running exposure, if there is one, and return when the camera rests."""
        running = self.running
        busy = self.need(self.chip.exposure).state is State.BUSY
        if running is not None:
            busy = busy or not running.over
            running.fail(DeviceRefused, "it was aborted")
            self.end(running)
        name = f"{self.chip.prefix}_ABORT_EXPOSURE"
        if not busy or not self.has(name, "ABORT"):
            return
        sent = self.link.set(self.device, name, {"ABORT": True})
        await self.link.wait(
            self.device,
            self.chip.exposure,
            lambda v: v.state is not State.BUSY,
            after=sent,
            timeout_s=ANSWER_S,
            asked="to abort",
        )

    # For the exposure -------------------------------------------------------------------------

    @property
    def discards_of_running(self) -> list[str]:
        """Why frames were discarded since the exposure began."""
        return self._discards

    def discard(self, reason: str) -> None:
        """Note a frame that is nobody's."""
        self.discarded += 1
        self.last_discard = reason
        self._discards.append(reason)

    def end(self, exposure: Exposure) -> None:
        """Stop listening for an exposure."""
        if self.running is exposure:
            self.running = None
            self._ears.close()

    async def leave(self, exposure: Exposure) -> None:
        """Abort an exposure whose task was cancelled; a second cancelling does not stop that."""
        if self.running is not exposure:
            return
        task = asyncio.create_task(self._abort_quietly())
        self._leaving.add(task)
        task.add_done_callback(self._leaving.discard)
        await asyncio.shield(task)

    def misfit(self, image: FitsImage) -> str:
        """Why an image has not the size the chip is set to, or an empty text."""
        frame = self.get(f"{self.chip.prefix}_FRAME")
        if frame is None:
            return ""
        binning = self.get(f"{self.chip.prefix}_BINNING")
        across, down = (
            (binning.number("HOR_BIN"), binning.number("VER_BIN")) if binning else (1.0, 1.0)
        )
        width, height = frame.number("WIDTH") / across, frame.number("HEIGHT") / down
        # Cameras may drop an incomplete row, or the odd one of a pair.
        if abs(image.size[0] - width) < 2 and abs(image.size[1] - height) < 2:
            return ""
        return f"it has {image.size[0]} × {image.size[1]} pixels, not {width:.0f} × {height:.0f}"

    # How --------------------------------------------------------------------------------------

    def _want_modes(self) -> None:
        self.want("UPLOAD_MODE", _only("UPLOAD_CLIENT", "UPLOAD_LOCAL", "UPLOAD_BOTH"))
        formats = ("FORMAT_FITS", "FORMAT_NATIVE", "FORMAT_XISF")
        self.want("CCD_TRANSFER_FORMAT", _only(*formats))
        off = _only("INDI_DISABLED", "INDI_ENABLED")
        self.want(f"{self.chip.prefix}_COMPRESSION", off)
        self.want("CCD_FAST_TOGGLE", off)
        self.want("ACTIVE_DEVICES", dict(self.settings.snooped))

    def _whole(self) -> dict[str, float]:
        return _frame(0, 0, self.info.width, self.info.height)

    def _want_binning(self, binning: int) -> None:
        """Both elements: drivers misread one alone."""
        name = f"{self.chip.prefix}_BINNING"
        vector = self.get(name)
        if binning != 1 and (vector is None or not vector.writable):
            raise self.cannot(name, f"binning {binning}", "it cannot bin")
        self.want(name, {"HOR_BIN": float(binning), "VER_BIN": float(binning)})

    def _want_control(self, control: str, value: float) -> None:
        for name in CONTROLS:
            vector = self.get(name)
            for element in vector.elements if vector else ():
                if vector is not None and element.casefold() == control:
                    lowest, highest = vector.limits.get(element, (0.0, 0.0))
                    if lowest < highest and not lowest <= value <= highest:
                        seen = f"it goes from {lowest:g} to {highest:g}"
                        raise self.cannot(name, f"{control} {value:g}", seen)
                    self.want(name, {element: value})
                    return
        raise self.cannot(CONTROLS[0], f"{control} {value:g}", f"it has no {control}")

    def _checked(self, exposure_s: float, kind: FrameKind) -> float:
        """The exposure to ask for: a bias is as short as the camera can."""
        limits = self.need(self.chip.exposure).limits.get(self.chip.exposure_value, (0.0, 0.0))
        lowest, highest = limits if limits[0] < limits[1] else (0.0, 1e6)
        asked_s = max(exposure_s, lowest) if kind is FrameKind.BIAS else exposure_s
        if not lowest <= asked_s <= highest:
            raise self.cannot(
                self.chip.exposure, f"{exposure_s:g} s", f"it goes from {lowest:g} to {highest:g} s"
            )
        return asked_s

    async def _set_kind(self, kind: FrameKind) -> None:
        name, element = f"{self.chip.prefix}_FRAME_TYPE", f"FRAME_{kind.upper()}"
        vector = self.get(name)
        if vector is None or (vector.on(element) and vector.state is not State.ALERT):
            return
        await self.choose(name, element)

    async def _abort_quietly(self) -> None:
        """What fails here is found by the next `begin`: it sees the camera Busy and aborts it."""
        with contextlib.suppress(DeviceError):
            await self.abort()


def _frame(x: int, y: int, width: int, height: int) -> dict[str, float]:
    """All four elements, in unbinned pixels: drivers misread a part of them."""
    return {"X": float(x), "Y": float(y), "WIDTH": float(width), "HEIGHT": float(height)}


def _only(chosen: str, *others: str) -> dict[str, bool]:
    return {chosen: True, **dict.fromkeys(others, False)}
