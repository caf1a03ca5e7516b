"""A frame that comes down from the camera while the night goes on."""

import asyncio

from nightloom_drivers.errors import DeviceError


class Download:
    """A frame on its way from the camera, which goes on whatever becomes of who waits for it."""

    def __init__(self) -> None:
        self._over = asyncio.Event()
        self._error: DeviceError | None = None

    def end(self, error: DeviceError | None = None) -> None:
        """It is here, or will never come."""
        self._error = error
        self._over.set()

    async def arrived(self) -> None:
        """Return when the frame is here. Raises DeviceError when it does not come."""
        await self._over.wait()
        if self._error is not None:
            raise self._error
