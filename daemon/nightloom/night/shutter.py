"""The shutter of the main camera, for whoever waits for the end of a sub."""

import asyncio


class Shutter:
    """Whether a sub is being exposed, and until when."""

    def __init__(self) -> None:
        self._closes_s: float | None = None
        self._closed = asyncio.Event()
        self._closed.set()
        self.cut_by = ""
        """What cut in since it opened last, in a few words."""

    def opened(self, for_s: float) -> None:
        """A sub began that takes so long."""
        self._closes_s = asyncio.get_running_loop().time() + for_s
        self._closed.clear()
        self.cut_by = ""

    def closed(self) -> None:
        """It ended, or was cut."""
        self._closes_s = None
        self._closed.set()

    @property
    def left_s(self) -> float | None:
        """How long the shutter stays open; None when it is closed."""
        if self._closes_s is None:
            return None
        return max(0.0, self._closes_s - asyncio.get_running_loop().time())

    async def until_closed(self) -> None:
        """Wait for the end of the sub, at once when there is none."""
        await self._closed.wait()
