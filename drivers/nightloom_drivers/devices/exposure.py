"""One exposure, from the request to its own frame.

Frames of earlier exposures can arrive late, twice, or after an abort: a frame counts only when
its header fits this exposure. The frame may come before or after the driver's Ok. A driver of two
chips may give the frame of one the times of the other: where that may be so, and the frame comes
when it is due, it counts, and its times are those of one's own clock.
"""

import asyncio
import zlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from nightloom_drivers.clock import steady_s
from nightloom_drivers.devices.device import described
from nightloom_drivers.devices.fits_image import CardValue, FitsImage, Pixels, open_image
from nightloom_drivers.devices.frame_times import AskedTimes
from nightloom_drivers.errors import (
    DeviceContradicts,
    DeviceError,
    DeviceGone,
    DeviceLate,
    DeviceRefused,
)
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.link import (
    Blob,
    Defined,
    Event,
    Lost,
    Received,
    Removed,
    State,
    Updated,
    Vector,
)
from nightloom_drivers.star_list import StarList

if TYPE_CHECKING:
    from collections.abc import Mapping

    from nightloom_drivers.devices.camera import Camera

BEGIN_S = 10.0
"""Drivers say Busy when the camera has been started, which takes some a second or two."""

FREE_S = 5.0
"""After its frame a driver may stay Busy for a while; the frame is not held back longer."""

INLINE_BYTES = 8_000_000
"""Below this a frame is decoded in a few ms; above, a thread does it beside the event loop."""


@dataclass(frozen=True)
class CameraFrame:
    """What an exposure gave: pixels (height, width) or only their stars, the driver's header, start
    and duration.

    `doubt` says what times in the header cannot be; the start is then one's own clock's.
    """

    data: Pixels | StarList
    header: "Mapping[str, CardValue]"
    start: datetime
    exposure_s: float
    doubt: str = ""


class Exposure:
    """A running exposure. Await `shutter_closed` if you like, then `frame`.

    As an async context manager it is aborted when the block ends before the frame was taken.
    """

    def __init__(self, camera: "Camera", exposure_s: float, kind: FrameKind) -> None:
        self.exposure_s, self.kind = exposure_s, kind
        self._camera = camera
        self._vector, self._blob = camera.chip.exposure, camera.chip.blob
        self._begun, self._closed = asyncio.Event(), asyncio.Event()
        self._arrived, self._free = asyncio.Event(), asyncio.Event()
        self._begun_at, self._from_s = camera.clock.now(), steady_s()
        self._asked = AskedTimes(
            self._begun_at, exposure_s, kind, camera.settings.start_tolerance_s
        )
        self._closes_s = 0.0
        self._counted_down = False
        self._error: DeviceError | None = None
        self._image: FitsImage | None = None
        self._doubt = ""
        beside = camera.get(camera.beside.exposure)
        self._shared = beside is not None and beside.state is State.BUSY
        """Whether the driver's other chip has been exposing meanwhile."""

    async def __aenter__(self) -> "Exposure":
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._camera.leave(self)

    @property
    def over(self) -> bool:
        """Whether the driver has said that it rests again."""
        return self._free.is_set()

    async def begun(self) -> None:
        """Wait until the driver says that it exposes."""
        await self._wait(self._begun, BEGIN_S, "it did not begin")

    async def shutter_closed(self) -> None:
        """Return when no more light is collected: the countdown is over, or the time is.

        Cancelling aborts the exposure, here and in `frame`.
        """
        if not self._closed.is_set():
            left_s = self._closes_s - asyncio.get_running_loop().time()
            try:
                async with asyncio.timeout(max(left_s, 0.0)):
                    await self._closed.wait()
            except TimeoutError:
                self._closed.set()
            except asyncio.CancelledError:
                await self._camera.leave(self)
                raise
        self._raise()

    async def frame(self) -> CameraFrame:
        """The frame of this exposure.

        Raises DeviceRefused (it failed or somebody aborted it), DeviceLate (no frame came; the
        exposure is aborted), DeviceContradicts (only frames of other exposures came), DeviceGone.
        """
        await self.shutter_closed()
        try:
            await self._wait(self._arrived, self._camera.settings.download_deadline_s, "no frame")
            await self._until_free()
            self._camera.end(self)
            return await self._decoded()
        except asyncio.CancelledError:
            await self._camera.leave(self)
            raise

    async def abort(self) -> None:
        """End it without a frame; one that comes all the same is discarded."""
        await self._camera.abort()

    # Hearing ----------------------------------------------------------------------------------

    def hear(self, event: Event) -> None:
        """Take what happens on the link."""
        device = self._camera.device
        match event:
            case Received(blob) if (blob.device, blob.element) == (device, self._blob):
                self._receive(blob)
            case Updated(vector) | Defined(vector) if vector.device == device:
                if vector.name == self._vector:
                    self._follow(vector)
                elif vector.name == self._camera.beside.exposure:
                    self._shared = self._shared or vector.state is State.BUSY
            case Removed(owner, name) if owner == device and name in ("", self._vector):
                self.fail(DeviceGone, "it was removed")
            case Lost(reason):
                self.fail(DeviceGone, reason)
            case _:
                pass

    def fail(self, error: type[DeviceError], seen: str) -> None:
        """End it with an error, which whoever awaits it gets."""
        self._error = self._error or self._made(error, seen)
        for event in (self._begun, self._closed, self._arrived, self._free):
            event.set()

    def _follow(self, vector: Vector) -> None:
        if vector.state is State.ALERT:
            self.fail(DeviceRefused, "Alert")
        elif vector.state is State.BUSY:
            self._count_down(vector.number(self._camera.chip.exposure_value))
        elif self._begun.is_set():
            self._rest(vector.state)

    def _count_down(self, left_s: float) -> None:
        if not self._begun.is_set():
            self._begun.set()
            self._begun_at = self._camera.clock.now()
            self._closes_s = asyncio.get_running_loop().time() + self.exposure_s
        self._free.clear()
        # A driver that does not count may read 0 all the time: it must have counted before.
        if left_s <= 0 and self._counted_down:
            self._closed.set()
        self._counted_down = self._counted_down or left_s > 0

    def _rest(self, state: State) -> None:
        """Ok or Idle after Busy: over, unless Idle came before its time, which is an abort."""
        early = asyncio.get_running_loop().time() < self._closes_s
        if state is State.IDLE and early and not self._arrived.is_set():
            self.fail(DeviceRefused, "it was aborted by somebody else")
        self._free.set()
        self._closed.set()

    def _receive(self, blob: Blob) -> None:
        if self._arrived.is_set():
            self._camera.discard("a second frame came")
            return
        try:
            image = open_image(blob.format, blob.data)
        except (ValueError, zlib.error) as error:
            self._camera.discard(str(error))
            return
        asked, now = self._asked, self._now()
        other_times = asked.other_than(image, now)
        stranger = self._stranger(image) or ("" if self._of_two_chips else other_times)
        if stranger:
            self._camera.discard(stranger)
            return
        self._image, self._doubt = image, other_times or asked.yet_to_end(image, now)
        self._closed.set()
        self._arrived.set()

    def _now(self) -> datetime:
        """The present, by the clock as it was when this began, where it was set back meanwhile."""
        lasts = timedelta(seconds=steady_s() - self._from_s)
        return max(self._camera.clock.now(), self._begun_at + lasts)

    def _stranger(self, image: FitsImage) -> str:
        """Why the frame is not of this exposure whatever its times are, or an empty text."""
        if not self._begun.is_set():
            return "it came before the exposure began"
        start = image.start()
        if start is not None and start == self._camera.last_start and start.microsecond:
            return f"it was had before, with DATE-OBS {start:%H:%M:%S.%f}"
        return self._camera.misfit(image)

    @property
    def _of_two_chips(self) -> bool:
        """Whether a frame that comes now may have the times of the driver's other chip."""
        due_s = self._closes_s - self._asked.tolerance_s
        return self._shared and (
            self._closed.is_set() or asyncio.get_running_loop().time() >= due_s
        )

    # Waiting ----------------------------------------------------------------------------------

    async def _wait(self, event: asyncio.Event, deadline_s: float, what: str) -> None:
        try:
            async with asyncio.timeout(deadline_s):
                await event.wait()
        except TimeoutError:
            await self._give_up(deadline_s, what)
        self._raise()

    async def _give_up(self, deadline_s: float, what: str) -> None:
        vector = self._camera.get(self._vector)
        seen = f"{what} within {deadline_s:g} s, it reads {described(vector) if vector else '-'}"
        wrong = self._camera.discards_of_running
        error = self._made(DeviceContradicts, wrong[-1]) if wrong else self._made(DeviceLate, seen)
        try:
            await self._camera.abort()
        except DeviceError as unheard:
            error.add_note(str(unheard))
        raise error

    async def _until_free(self) -> None:
        try:
            async with asyncio.timeout(FREE_S):
                await self._free.wait()
        except TimeoutError:
            return

    async def _decoded(self) -> CameraFrame:
        image, self._image = self._image, None  # whose bytes need not outlive its pixels
        if image is None:
            raise self._made(DeviceContradicts, "no frame")
        width, height = image.size
        packed = "ZCMPTYPE" in image.header or width * height * 2 > INLINE_BYTES
        try:
            data = await asyncio.to_thread(image.read) if packed else image.read()
        except ValueError as error:
            raise self._made(DeviceContradicts, str(error)) from error
        start = None if self._doubt else image.start()
        self._camera.last_start = start
        began_at = start or self._begun_at
        return CameraFrame(data, image.header, began_at, self.exposure_s, self._doubt)

    def _raise(self) -> None:
        if self._error is not None:
            self._camera.end(self)
            raise self._error

    def _made(self, error: type[DeviceError], seen: str) -> DeviceError:
        asked = f"a {self.kind} of {self.exposure_s:g} s"
        return error(self._camera.device, self._vector, asked=asked, seen=seen)
