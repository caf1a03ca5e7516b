"""Takes the points of a focus curve: one side, exposures that suffice, clouds looked through."""

import asyncio
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nightloom.executor import Executor
from nightloom.focusing import Point, Scan, dimmed, light_ratio
from nightloom.frames import StarField
from nightloom.frames.measuring import OF_PIXELS, Measuring
from nightloom.settings import Settings
from nightloom_drivers.devices import Camera, Focuser

Floats = NDArray[np.float64]

CLOUD_ROUNDS = 2
"""Times that spoilt points are repeated; a cloud that stays longer is the monitor's to see."""

LONGER, LONGEST = 2.0, 4.0
"""An exposure with too few stars is made longer by what is missing, within these factors."""


PLENTY = 5
"""Times the stars that a point needs: with more, an exposure made longer is halved again."""


@dataclass(frozen=True, eq=False)
class _Seen:
    """One exposure: its point and its stars."""

    point: Point
    stars: StarField


class FocusScan:
    """Measures positions of the focuser; exposures are as long as each filter's stars ask for."""

    def __init__(
        self,
        camera: Camera,
        focuser: Focuser,
        settings: Settings,
        compute: Executor,
        measuring: Measuring = OF_PIXELS,
    ) -> None:
        self._measuring = measuring
        self._camera, self._focuser, self._compute = camera, focuser, compute
        self._policy = settings.policies.focus
        self._cloud_s = settings.policies.clouds.recheck_s
        self._saturation_adu = settings.observatory.camera.saturation_adu
        self._exposures_s: dict[str, float] = defaultdict(lambda: self._policy.exposure_s)

    def exposure_s(self, filter_name: str) -> float:
        """How long a focus exposure has to be with a filter, as far as is known."""
        return self._exposures_s[filter_name]

    def expose_longer(self, filter_name: str, than_s: float) -> float:
        """Have the next points of a filter exposed longer, so that the air moves them about less;
        return for how long.
        """
        longer_s = min(LONGER * than_s, self._policy.maximum_exposure_s)
        self._exposures_s[filter_name] = longer_s
        return longer_s

    async def point(self, position_steps: int, filter_name: str) -> Point:
        """Go straight to a position and measure there. Raises DeviceError."""
        point = (await self._seen(position_steps, filter_name, longer=True)).point
        self._relax(filter_name, point.stars)
        return point

    async def take(self, scan: Scan, filter_name: str, *, fine: bool) -> list[Point]:
        """Measure a scan's positions. Raises DeviceError.

        In a fine scan an exposure with too few stars is repeated, longer, and points that a cloud
        dimmed are repeated as they were; those that stay dim come back without stars.
        """
        clear_s = self._exposures_s[filter_name]
        seen = await self._all(scan, range(len(scan.positions_steps)), filter_name, fine)
        if not fine:
            return [seen[n].point for n in sorted(seen)]
        for _ in range(CLOUD_ROUNDS):
            dim = dimmed(_compared(seen), self._policy.minimum_stars)
            if not dim:
                break
            self._exposures_s[filter_name] = clear_s  # not for good because of a cloud
            await asyncio.sleep(self._cloud_s)
            seen |= await self._all(scan, dim, filter_name, fine)
        points = _compared(seen)
        still = dimmed(points, self._policy.minimum_stars)
        if still:
            self._exposures_s[filter_name] = clear_s
        for n in still:
            points[n] = replace(points[n], stars=0)
        self._relax(filter_name, min(point.stars for point in points))
        return points

    def _relax(self, filter_name: str, fewest: int) -> None:
        """Halve an exposure that a cloud, or a poorer field, had made longer than need be."""
        if fewest >= PLENTY * self._policy.minimum_stars:
            half_s = self._exposures_s[filter_name] / 2.0
            self._exposures_s[filter_name] = max(half_s, self._policy.exposure_s)

    async def _all(
        self, scan: Scan, numbers: Sequence[int], filter_name: str, fine: bool
    ) -> dict[int, _Seen]:
        """Take up the backlash, then measure the numbered positions in order."""
        first = scan.positions_steps[numbers[0]]
        lead = scan.overshoot_steps - scan.positions_steps[0]
        await self._focuser.move_to(first + lead)
        return {
            n: await self._seen(scan.positions_steps[n], filter_name, longer=fine) for n in numbers
        }

    async def _seen(self, position_steps: int, filter_name: str, *, longer: bool) -> _Seen:
        if self._focuser.position_steps != position_steps:
            await self._focuser.move_to(position_steps)
        while True:
            exposure_s = self._exposures_s[filter_name]
            frame = await self._camera.expose(exposure_s)
            stars = await self._compute(self._measuring.frame, frame.data, self._saturation_adu)
            most_s, least = self._policy.maximum_exposure_s, self._policy.minimum_stars
            if not longer or not 0 < stars.count < least or exposure_s >= most_s:
                break
            factor = min(max(1.5 * least / stars.count, LONGER), LONGEST)
            self._exposures_s[filter_name] = min(exposure_s * factor, most_s)
        radius_px = stars.half_flux_radius_px
        point = Point(
            position_steps,
            radius_px,
            stars.count,
            exposure_s,
            part_radii_px=tuple(stars.zones["half_flux_radius_px"].ravel().tolist()),
            part_stars=tuple(stars.zones["sized"].ravel().tolist()),
        )
        return _Seen(point, stars)


def _compared(seen: dict[int, _Seen]) -> list[Point]:
    """The points in order, with their light relative to the sharpest one's."""
    ordered = [seen[n] for n in sorted(seen)]
    with_stars = [one for one in ordered if one.point.counts(1)]
    if not with_stars:
        return [one.point for one in ordered]
    sharpest = min(with_stars, key=lambda one: one.point.radius_px)
    return [replace(one.point, light=_ratio(one, sharpest)) for one in ordered]


def _ratio(one: _Seen, other: _Seen) -> float:
    (places, light), (reference, other_light) = _light(one), _light(other)
    return light_ratio(places, light, reference, other_light)


def _light(one: _Seen) -> tuple[Floats, Floats]:
    """Places (n, 2) in px and light (n,) in ADU a second of the stars that are not saturated."""
    stars = one.stars.stars[~one.stars.stars["saturated"]]
    places = np.stack([stars["x"], stars["y"]], axis=1)
    return places, stars["flux_adu"] / one.point.exposure_s
