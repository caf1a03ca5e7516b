"""The frame that confirms a curve where it was gone to, and the frames that measure backlash."""

from nightloom.focusing.backlash import Backlash, WayBack, misses
from nightloom.focusing.curve import Curve, Point
from nightloom.focusing.scanning import FocusScan
from nightloom_drivers.devices import Focuser

CONFIRMING_FRAMES = 2
"""A gust or a puff of air spoils one; a focus that was missed spoils both."""


class Confirming:
    """Takes those frames. Methods raise DeviceError."""

    def __init__(self, focuser: Focuser, scanning: FocusScan, least_stars: int) -> None:
        self._focuser, self._scanning = focuser, scanning
        self._least_stars = least_stars

    async def missed(
        self, curve: Curve, zone_steps: float, position_steps: int, filter_name: str
    ) -> Point | None:
        """The frame that contradicts a curve, at the position gone to; None when it is right."""
        for _ in range(CONFIRMING_FRAMES):
            point = await self._scanning.point(position_steps, filter_name)
            if not misses(curve, zone_steps, point, self._least_stars):
                return None
        return point

    async def backlash(self, way: WayBack, filter_name: str) -> Backlash | None:
        """Go to the far end of the curve, and measure on the way back; None when that tells none.

        Leaves the focuser behind its turn, with its gears on the wrong side.
        """
        await self._focuser.move_to(way.run_up_steps)
        await self._focuser.move_to(way.top_steps)
        points: list[Point] = []
        while (position := way.next_steps(points)) is not None:
            points.append(await self._scanning.point(position, filter_name))
        return way.backlash(points)
