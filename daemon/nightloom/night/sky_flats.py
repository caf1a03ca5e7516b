"""Flats of the sky in morning twilight: the roof opens once more, and the telescope stands still.

An open roof and a telescope that moves in the half-light, with people about: the usual cautions
hold. The guard sees to weather, Sun and pier; the night's table closes before sunrise.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from nightloom.calibration_frames.level import Limits
from nightloom.calibration_frames.needs import Need
from nightloom.calibration_frames.twilight import (
    SUN_HIGHEST_DEG,
    SUN_LOWEST_DEG,
    Seen,
    away_from_sun_deg,
    expected_change_per_s,
    exposure_for_s,
    middle_rate,
    next_filter,
    rate_at,
    seen_change_per_s,
    through,
    wait_s,
)
from nightloom.night.context import Context
from nightloom.night.flats import FLATS, Course, level_of_flats
from nightloom.night.gap import change_filter
from nightloom.night.library_shots import lacking
from nightloom.night.ready import open_up
from nightloom.sky import Interval, intervals_above, place_at, sun_altitude, sun_altitude_azimuth
from nightloom.telemetry.events import CalibrationLeft

LOOK_AHEAD_S = 86400.0
GRID_S = 60.0

FIRST_S = 2.0
"""A first frame of a sky of which nothing is known; dim enough for it by SUN_LOWEST_DEG."""

BEGINS_S = 1.0
"""From a decision to the open shutter, for the prediction."""


def morning(context: Context) -> Interval | None:
    """When the Sun is where flats of the next morning's sky can be taken; None without one."""
    now_s = context.clock.unix_s()
    grid = np.arange(now_s, now_s + LOOK_AHEAD_S, GRID_S)
    altitude = sun_altitude(context.schedule.site, grid)
    rises = np.gradient(altitude) > 0
    inside = np.where(
        rises, np.minimum(altitude - SUN_LOWEST_DEG, SUN_HIGHEST_DEG - altitude), -1.0
    )
    return next(iter(intervals_above(grid, inside)), None)


@dataclass
class Sky:
    """What is known of the twilight: its light through the last filter, and how it changes."""

    expected_per_s: float
    change_per_s: float
    seen: Seen | None = None
    bandwidth_nm: float | None = None


async def take_sky_flats(context: Context, span: Interval) -> None:
    """Take what the lights lack of flats; the rig is left as it then stands, to be made safe.

    Raises DeviceError, GuardRefusal and what `library_shots.keep` raises.
    """
    left = {need.filter: need for need in lacking(context, FLATS)}
    if not left:
        return
    reasons = context.guard.unsafe_reasons()
    if reasons:
        context.log.emit(CalibrationLeft(reason=f"no flats of the sky: {'; '.join(reasons)}"))
        return
    await open_up(context)
    await _look_at_even_sky(context)
    level = await level_of_flats(context)
    sky = _sky(context)
    limits = _limits(context)
    while left and context.clock.unix_s() < span.end_unix_s:
        name = next_filter(_bandwidths(context, left), brightens=sky.expected_per_s > 0)
        await change_filter(context, name)
        await _of_sky(Course(context, left.pop(name), level), sky, limits, span.end_unix_s)


async def _look_at_even_sky(context: Context) -> None:
    """Point away from the Sun, and stand still, so that stars are elsewhere in each frame."""
    now_s = context.clock.unix_s()
    _, azimuth_deg = sun_altitude_azimuth(context.schedule.site, now_s)
    place = place_at(context.schedule.site, *away_from_sun_deg(float(azimuth_deg)), now_s)
    await context.guard.unpark()
    await context.guard.slew(*place)
    await context.guard.stand_still()


def _sky(context: Context) -> Sky:
    now_s = context.clock.unix_s()
    before, after = sun_altitude(context.schedule.site, np.array([now_s, now_s + GRID_S]))
    expected = expected_change_per_s(float(after - before) / GRID_S)
    return Sky(expected, expected)


def _limits(context: Context) -> Limits:
    policy = context.settings.policies.calibration
    return Limits(policy.flat_minimum_s, policy.flat_maximum_s)


def _bandwidths(context: Context, left: Mapping[str, Need]) -> dict[str, float | None]:
    filters = context.settings.observatory.filters
    return {name: filters[name].bandwidth_nm for name in left}


async def _of_sky(course: Course, sky: Sky, limits: Limits, ends_s: float) -> None:
    """Flats in one filter, each from what the one before it showed."""
    context, width_nm = course.context, _bandwidth(course)
    seen = None if sky.seen is None else through(sky.seen, sky.bandwidth_nm, width_nm)
    own: Seen | None = None
    while course.goes_on and context.clock.unix_s() < ends_s:
        exposure_s = min(FIRST_S, limits.maximum_s)
        if seen is not None:
            begins_s = context.clock.unix_s() + BEGINS_S
            rate = rate_at(seen, sky.change_per_s, begins_s)
            pause_s = wait_s(course.level.asked_adu, rate, sky.change_per_s, limits)
            if math.isinf(pause_s):
                course.give_up("the sky is too bright")
                return
            if pause_s > 0:
                await context.sleep_until(min(ends_s, context.clock.unix_s() + pause_s + 0.1))
                continue
            exposure_s = exposure_for_s(course.level.asked_adu, rate, sky.change_per_s)
        exposure_s = round(min(max(exposure_s, limits.minimum_s), limits.maximum_s), 3)
        frame, signal_adu = await course.take(exposure_s, None)
        seen = middle_rate(signal_adu, frame.start.timestamp(), exposure_s)
        if own is not None:
            sky.change_per_s = seen_change_per_s(own, seen, sky.expected_per_s)
        own, sky.seen, sky.bandwidth_nm = seen, seen, width_nm


def _bandwidth(course: Course) -> float | None:
    return course.context.settings.observatory.filters[course.need.filter].bandwidth_nm
