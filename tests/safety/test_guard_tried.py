"""Slews and openings of all kinds, tried on the guard; the truth is judged without its rules.

Where the Sun stands and how high a place is comes from astropy, where the telescope and the roof
are from the simulated world, looked at twice a second all the way. Never try this with a real
mount: a telescope without a filter that comes near the Sun destroys eyes and equipment.

Parking is not judged for the Sun: it is never refused, since every way to safety begins with it.
"""

import asyncio
import contextlib
import itertools
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from typing import Any

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import TETE, AltAz, EarthLocation, SkyCoord, get_sun
from astropy.time import Time
from astropy.utils import iers
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from night.nights import demo
from nightloom.safety import GuardRefusal
from nightloom_drivers.errors import DeviceError
from nightloom_drivers.simulators.rig import MOUNT, ROOF, STATION
from safety.guarded import EVENING_S, Scene, guarded, with_

LOOK_S, WAITING_LOOK_S = 0.5, 30.0
MOVED_DEG = 0.05
"""What an axis turns between two looks when it slews, and never when it tracks."""
KNOWN_S = 61.0
"""The station measures once a minute: what rains for longer is known."""
TOLERANCE_DEG = 1.0
"""The simulated mount points some arcminutes beside where it says."""
DAY_S = 86400.0


@dataclass(frozen=True)
class Look:
    """The truth at one moment."""

    t_s: float
    vector: tuple[float, float, float]
    axes_deg: tuple[float, float]
    parked: bool
    opening: float
    doing: str
    raining: bool


@dataclass
class Watched:
    """Who looks at the world, while things are asked of the guard."""

    scene: Scene
    doing: str = ""
    looks: list[Look] = field(default_factory=list)

    def look(self) -> None:
        scene, world = self.scene, self.scene.rig.world
        t_s = scene.true.unix_s()
        rains = [world.weather.rain_mm_per_h(t_s - before_s) > 0 for before_s in (0.0, KNOWN_S)]
        x, y, z = world.mount.apparent_vector(t_s)
        self.looks.append(
            Look(
                t_s,
                (x, y, z),
                world.mount.axes_deg(t_s),
                scene.is_parked,
                scene.opening,
                self.doing,
                all(rains),
            )
        )

    @contextlib.asynccontextmanager
    async def looking(self, doing: str) -> AsyncIterator[None]:
        """Look while this is done."""
        self.doing = doing

        async def keep_looking() -> None:
            while True:
                self.look()
                await asyncio.sleep(WAITING_LOOK_S if doing == "wait" else LOOK_S)

        looking = asyncio.create_task(keep_looking())
        try:
            yield
        finally:
            looking.cancel()
            self.look()


# What is tried --------------------------------------------------------------------------------

Act = tuple[str, Any]

ANYWHERE = st.tuples(st.just("slew"), st.tuples(st.floats(-15.0, 90.0), st.floats(0.0, 360.0)))
OFF_SUN_DEG = st.floats(-80.0, 80.0)
PAST_THE_SUN = st.tuples(st.just("slew past the Sun"), st.tuples(OFF_SUN_DEG, OFF_SUN_DEG))
BY_DAY = st.lists(st.one_of(ANYWHERE, PAST_THE_SUN), min_size=6, max_size=12)

ACTS: st.SearchStrategy[Act] = st.one_of(
    ANYWHERE,
    st.tuples(st.sampled_from(["open", "close", "park", "unpark", "stand still"]), st.none()),
    st.tuples(st.sampled_from(["open", "close", "unpark", "ready"]), st.none()),
    st.tuples(st.just("rain"), st.floats(120.0, 3600.0)),
    st.tuples(st.just("wait"), st.floats(1.0, 7200.0)),
    st.tuples(st.sampled_from(["silence", "heal"]), st.none()),
    st.tuples(st.just("reborn"), st.sampled_from([MOUNT, ROOF])),
)
AT_NIGHT = st.lists(ACTS, min_size=6, max_size=14)


def of_sky(scene: Scene, altitude_deg: float, azimuth_deg: float) -> tuple[float, float]:
    """ICRS coordinates of a place by altitude and azimuth from north through east."""
    north = np.radians(scene.settings.observatory.site.latitude_deg)
    height, way = np.radians([altitude_deg, azimuth_deg])
    up, ahead, aside = np.sin(height), np.cos(height) * np.cos(way), np.cos(height) * np.sin(way)
    dec = np.arcsin(up * np.sin(north) + ahead * np.cos(north))
    west = np.arctan2(-aside, up * np.cos(north) - ahead * np.sin(north))
    return scene.place(float(np.degrees(west)) / 15.0, float(np.degrees(dec)))


async def act(scene: Scene, what: str, how: Any) -> None:
    """Ask the guard for something, or let something happen."""
    guard = scene.guard
    match what:
        case "slew":
            await guard.slew(*of_sky(scene, *how))
        case "slew past the Sun":
            sun = get_sun(Time(scene.true.unix_s(), format="unix"))
            ra_deg, dec_deg = (sun.ra.deg + how[0]) % 360.0, sun.dec.deg + how[1]
            await guard.slew(ra_deg, float(np.clip(dec_deg, -90.0, 90.0)))
        case "open":
            await guard.open_roof()
        case "close":
            await guard.close_roof()
        case "park":
            await guard.park()
        case "unpark":
            await guard.unpark()
        case "ready":
            await guard.park()
            await guard.open_roof()
            await guard.unpark()
        case "stand still":
            await guard.stand_still()
        case "rain":
            scene.faults.rain(for_s=how)
            await asyncio.sleep(KNOWN_S)
        case "wait":
            await asyncio.sleep(how)
        case "silence":
            scene.faults.station_silent()
        case "heal":
            scene.faults.heal(STATION)
        case "reborn" if how == MOUNT or scene.devices.roof is not None:
            scene.reborn(how)
            await asyncio.sleep(3.0)


def tried(acts: list[Act], *, at_s: float, roof: bool) -> list[Look]:
    """What the world looked like while all this was asked; refusals are as good as anything."""
    watched = list[Watched]()

    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        here = Watched(scene)
        watched.append(here)
        for what, how in acts:
            async with here.looking(what):
                with contextlib.suppress(GuardRefusal, DeviceError):
                    await act(scene, what, how)

    guarded(story, at_s=at_s, changed=None if roof else with_(without="roof"))
    return watched[0].looks


# What is true of it -----------------------------------------------------------------------------


def breaches(looks: list[Look], *, roof: bool) -> list[str]:
    """What broke an interlock or came near the Sun, by the truth alone."""
    site = demo()[0].observatory.site
    latitude, longitude = site.latitude_deg * u.deg, site.longitude_deg * u.deg
    place = EarthLocation(longitude, latitude, site.elevation_m * u.m)
    found = _locks(looks, place) if roof else []
    for slew in _slews(looks):
        found += [*_near_the_sun(slew, place), *_low(slew[-1], place)]
        found += ["it slewed in known rain"] if slew[0].raining else []
        found += ["it slewed indoors"] if roof and slew[0].opening < 1.0 else []
    return found


def _times(looks: list[Look]) -> Time:
    return Time([look.t_s for look in looks], format="unix")


def _sun(times: Time, place: EarthLocation) -> tuple[Any, Any]:
    """Unit vectors of date and altitudes of the Sun."""
    sun = get_sun(times)
    of_date = sun.transform_to(TETE(obstime=times)).cartesian.xyz.value.T
    height = sun.transform_to(AltAz(obstime=times, location=place)).alt.deg
    return of_date / np.linalg.norm(of_date, axis=-1, keepdims=True), height


def _slews(looks: list[Look]) -> list[list[Look]]:
    """The looks of each slew that was let begin, from its first move to its last."""
    slews = list[list[Look]]()
    for before, now in itertools.pairwise(looks):
        if now.doing.startswith("slew") and before.doing == now.doing and _turned(before, now):
            if not slews or slews[-1][-1] is not before:
                slews.append([before])
            slews[-1].append(now)
    return slews


def _turned(before: Look, now: Look) -> bool:
    return max(abs(b - a) for a, b in zip(before.axes_deg, now.axes_deg, strict=True)) > MOVED_DEG


def _near_the_sun(slew: list[Look], place: EarthLocation) -> list[str]:
    """No point of it lies near the Sun while that is up."""
    vectors, height_deg = _sun(_times(slew), place)
    away_deg = np.degrees(np.arccos(np.sum(vectors * [look.vector for look in slew], axis=1)))
    least_deg = demo()[0].policies.safety.sun_distance_deg
    near = (height_deg > 0.0) & (away_deg < least_deg - TOLERANCE_DEG)
    return [f"a slew passed {away_deg[near].min():.1f}° from the Sun"] if near.any() else []


def _low(end: Look, place: EarthLocation) -> list[str]:
    """It does not end below the floor."""
    time = Time(end.t_s, format="unix")
    x, y, z = end.vector
    ra_deg, dec_deg = np.degrees(np.arctan2(y, x)), np.degrees(np.arcsin(z))
    there = SkyCoord(ra_deg, dec_deg, unit="deg", frame=TETE(obstime=time))
    height_deg = float(there.transform_to(AltAz(obstime=time, location=place)).alt.deg)
    floor_deg = demo()[0].policies.safety.altitude_floor_deg
    low = height_deg < floor_deg - TOLERANCE_DEG
    return [f"a slew ended {height_deg:.1f}° high"] if low else []


def _locks(looks: list[Look], place: EarthLocation) -> list[str]:
    """Roof and mount do not meet; nothing opens in rain or by day, or frees the mount indoors."""
    found = []
    for before, now in itertools.pairwise(looks):
        # A mount may come free between the last bit of an opening and the look after it.
        free = not before.parked or (not now.parked and now.opening < 1.0)
        if now.opening != before.opening and free:
            found.append(f"the roof moved over a free mount at {now.t_s}")
        if before.opening == 0.0 < now.opening:
            _, (sun_deg,) = _sun(_times([now]), place)
            found += ["it opened in known rain"] if now.raining else []
            found += [f"it opened with the Sun {sun_deg:.1f}° high"] if sun_deg > -0.7 else []
        if before.parked and not now.parked and now.opening < 1.0:
            found.append(f"the mount came free under a roof that was {now.opening:.0%} open")
    return found


DAYS = st.integers(-180, 180)


def judge(acts: list[Act], *, at_s: float, roof: bool) -> None:
    with iers.conf.set_temp("auto_max_age", None), iers.conf.set_temp("auto_download", False):
        assert breaches(tried(acts, at_s=at_s, roof=roof), roof=roof) == []


def by_day(day: int, hours: float, slews: list[Act]) -> None:
    """In the open, from park and free; the Sun culminates near 11:20 UTC at 9.6° E."""
    noon_s = (EVENING_S // DAY_S + day) * DAY_S + 11.3 * 3600.0
    judge([("park", None), ("unpark", None), *slews], at_s=noon_s + hours * 3600.0, roof=False)


def with_a_roof(day: int, hours: float, acts: list[Act], ready: bool) -> None:
    """At any hour, from a rig as it was found or from one that is open and free."""
    first: list[Act] = [("ready", None)] if ready else []
    judge([*first, *acts], at_s=EVENING_S + day * DAY_S + hours * 3600.0, roof=True)


def tries(count: int) -> settings:
    return settings(max_examples=count, suppress_health_check=list(HealthCheck))


@given(DAYS, st.floats(-3.5, 3.5), BY_DAY)
@tries(15)
def test_no_slew_comes_near_the_sun_or_ends_low(day: int, hours: float, slews: list[Act]) -> None:
    by_day(day, hours, slews)


@given(DAYS, st.floats(-6.0, 12.0), AT_NIGHT, st.booleans())
@tries(20)
def test_nothing_that_is_asked_breaks_an_interlock(
    day: int, hours: float, acts: list[Act], ready: bool
) -> None:
    with_a_roof(day, hours, acts, ready)


@pytest.mark.long
@given(DAYS, st.floats(-3.5, 3.5), BY_DAY)
@tries(300)
def test_nor_do_many_more_slews(day: int, hours: float, slews: list[Act]) -> None:
    by_day(day, hours, slews)


@pytest.mark.long
@given(DAYS, st.floats(-6.0, 12.0), AT_NIGHT, st.booleans())
@tries(600)
def test_nor_does_much_more_that_is_asked(
    day: int, hours: float, acts: list[Act], ready: bool
) -> None:
    with_a_roof(day, hours, acts, ready)
