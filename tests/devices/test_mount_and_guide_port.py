"""The mount and its guide port, with drivers as irregular as real ones."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from datetime import UTC, datetime

import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from hypothesis import given
from hypothesis import strategies as st

from devices.misbehaving import CLOCK, Scripted, numbers, switches, tell
from nightloom_drivers.devices import (
    GuidePort,
    GuidePortSettings,
    Mount,
    MountSettings,
    PierSide,
    Position,
)
from nightloom_drivers.errors import DeviceContradicts, DeviceLate, DeviceRefused
from nightloom_drivers.link import Kind, Link, State, Value
from nightloom_drivers.simulators.simulator import Property

EOD, TRACK, PARK = "EQUATORIAL_EOD_COORD", "TELESCOPE_TRACK_STATE", "TELESCOPE_PARK"
Goto = Callable[[Scripted, float, float], Awaitable[None]]


def at(device: Scripted, state: State, ra_hours: float, dec_deg: float) -> None:
    device.publish(EOD, state, RA=ra_hours, DEC=dec_deg)


async def regular(device: Scripted, ra_hours: float, dec_deg: float) -> None:
    at(device, State.BUSY, 1, 40)
    device.publish(TRACK, State.IDLE, TRACK_ON=False, TRACK_OFF=True)
    await asyncio.sleep(20)
    at(device, State.OK, ra_hours, dec_deg)
    device.publish(TRACK, State.BUSY, TRACK_ON=True, TRACK_OFF=False)


def mount_that(goto: Goto, **more: Property) -> Scripted:
    """A mount at 1 h, 40° with this answer to a goto."""

    async def go(device: Scripted, asked: Mapping[str, Value]) -> None:
        await goto(device, float(asked["RA"]), float(asked["DEC"]))

    async def stop(device: Scripted, _: Mapping[str, Value]) -> None:
        for task in [t for t in device._tasks if t is not asyncio.current_task()]:
            task.cancel()
        device.publish(EOD, State.IDLE)

    async def track(device: Scripted, asked: Mapping[str, Value]) -> None:
        on = asked["TRACK_ON"] is True
        device.publish(TRACK, State.BUSY if on else State.IDLE, **asked)

    device = Scripted(
        numbers(EOD, {"RA": 1.0, "DEC": 40.0}),
        switches("ON_COORD_SET", "TRACK", "SLEW", "SYNC", on="SLEW"),
        switches(TRACK, "TRACK_ON", "TRACK_OFF", on="TRACK_OFF"),
        switches("TELESCOPE_ABORT_MOTION", "ABORT", rule="AtMostOne"),
        switches(PARK, "PARK", "UNPARK", on="UNPARK"),
        numbers("GEOGRAPHIC_COORD", {"LAT": 0.0, "LONG": 0.0, "ELEV": 0.0}),
        Property("TIME_UTC", Kind.TEXT, {"UTC": "", "OFFSET": ""}),
    )
    device.answers.update({EOD: go, TRACK: track, "TELESCOPE_ABORT_MOTION": stop})
    return device


async def connected(link: Link) -> Mount:
    mount = Mount(link, "Odd", MountSettings(slew_deadline_s=100, park_deadline_s=100), CLOCK)
    await mount.connect()
    return mount


def test_a_slew_tracks_first_and_ends_when_the_mount_rests_there() -> None:
    device = mount_that(regular)

    async def story(link: Link) -> None:
        mount = await connected(link)
        await mount.slew(5.5, -10.0)
        assert mount.position == Position(5.5, -10.0)
        assert mount.is_tracking
        assert mount.need("ON_COORD_SET").on("TRACK")
        names = [name for name, _ in device.asked]
        assert names.index(TRACK) < names.index(EOD)

    tell(device, story)


async def value_after_the_end(device: Scripted, ra_hours: float, dec_deg: float) -> None:
    at(device, State.BUSY, 1, 40)
    await asyncio.sleep(20)
    at(device, State.OK, 3, 15)
    await asyncio.sleep(1)
    at(device, State.OK, ra_hours, dec_deg)


async def old_place_before_it_moves(device: Scripted, ra_hours: float, dec_deg: float) -> None:
    at(device, State.OK, 1, 40)
    await asyncio.sleep(1)
    await regular(device, ra_hours, dec_deg)


async def never_busy(device: Scripted, ra_hours: float, dec_deg: float) -> None:
    await asyncio.sleep(2)
    at(device, State.OK, ra_hours, dec_deg)


@pytest.mark.parametrize(
    ("goto", "took_s"),
    [
        (regular, 20),
        (value_after_the_end, 21),
        (old_place_before_it_moves, 21),
        (never_busy, 2),
    ],
)
def test_an_irregular_slew_ends_when_the_mount_is_there(goto: Goto, took_s: float) -> None:
    async def story(link: Link) -> None:
        mount = await connected(link)
        await mount.track(True)
        begun_s = asyncio.get_running_loop().time()
        await mount.slew(5.5, -10.0)
        assert mount.position == Position(5.5, -10.0)
        assert asyncio.get_running_loop().time() - begun_s == pytest.approx(took_s, abs=0.05)

    tell(mount_that(goto), story)


def test_a_short_slew_does_not_end_before_it_begins() -> None:
    """A place 0.05° away is within the tolerance already; an old report is no arrival."""
    device = mount_that(old_place_before_it_moves)

    async def story(link: Link) -> None:
        mount = await connected(link)
        await mount.slew(1.0, 40.05)
        assert mount.position == Position(1.0, 40.05)

    tell(device, story)


async def silent(_device: Scripted, _ra_hours: float, _dec_deg: float) -> None:
    return


async def refused(device: Scripted, _ra_hours: float, _dec_deg: float) -> None:
    device.publish(EOD, State.ALERT)


async def idle_at_once(device: Scripted, _ra_hours: float, _dec_deg: float) -> None:
    device.publish(EOD, State.IDLE)


async def elsewhere(device: Scripted, ra_hours: float, dec_deg: float) -> None:
    await regular(device, ra_hours, dec_deg - 0.2)


async def for_ever(device: Scripted, _ra_hours: float, _dec_deg: float) -> None:
    at(device, State.BUSY, 1, 40)


async def untracked(device: Scripted, ra_hours: float, dec_deg: float) -> None:
    at(device, State.BUSY, 1, 40)
    device.publish(TRACK, State.IDLE, TRACK_ON=False, TRACK_OFF=True)
    await asyncio.sleep(20)
    at(device, State.IDLE, ra_hours, dec_deg)


@pytest.mark.parametrize(
    ("goto", "error", "seen"),
    [
        (silent, DeviceRefused, "did not begin"),
        (refused, DeviceRefused, "Alert"),
        (idle_at_once, DeviceRefused, "did not begin"),
        (elsewhere, DeviceContradicts, r"ended 0\.200° away"),
        (untracked, DeviceContradicts, "stands still"),
        (for_ever, DeviceLate, "Busy"),
    ],
)
def test_a_slew_that_does_not_get_there_is_told_apart(
    goto: Goto, error: type[Exception], seen: str
) -> None:
    device = mount_that(goto)

    async def story(link: Link) -> None:
        mount = await connected(link)
        with pytest.raises(error, match=seen):
            await mount.slew(5.5, -10.0)
        await asyncio.sleep(1)
        stops = device.requests("TELESCOPE_ABORT_MOTION")
        assert len(stops) == (1 if error is DeviceLate else 0)

    tell(device, story)


@pytest.mark.parametrize("place", [(24.0, 0.0), (-0.1, 0.0), (float("nan"), 0.0), (1.0, 90.1)])
def test_places_that_do_not_exist_are_refused_without_asking(place: tuple[float, float]) -> None:
    device = mount_that(regular)

    async def story(link: Link) -> None:
        mount = await connected(link)
        for command in (mount.slew, mount.sync):
            with pytest.raises(DeviceRefused, match="no such place"):
                await command(*place)
        assert device.requests(EOD) == []

    tell(device, story)


def test_cancelling_a_slew_stops_the_mount() -> None:
    device = mount_that(regular)

    async def story(link: Link) -> None:
        mount = await connected(link)
        slewing = asyncio.create_task(mount.slew(5.5, -10.0))
        await asyncio.sleep(5)
        assert mount.is_moving
        slewing.cancel()
        with pytest.raises(asyncio.CancelledError):
            await slewing
        await asyncio.sleep(0.01)
        assert not mount.is_moving

    tell(device, story)


def test_a_sync_leaves_the_mode_of_a_goto_behind() -> None:
    async def take(device: Scripted, ra_hours: float, dec_deg: float) -> None:
        assert device.properties["ON_COORD_SET"].elements["SYNC"]
        at(device, State.OK, ra_hours, dec_deg)

    async def story(link: Link) -> None:
        mount = await connected(link)
        await mount.sync(1.01, 40.1)
        assert mount.position == Position(1.01, 40.1)
        assert mount.need("ON_COORD_SET").on("TRACK")

    tell(mount_that(take), story)


def parking(steps: list[tuple[float, State, bool, bool]]) -> Scripted:
    """A tracking mount that answers a park request with (delay, state, PARK, UNPARK)."""
    device = mount_that(regular)

    async def answer(device: Scripted, _: Mapping[str, Value]) -> None:
        for delay_s, state, parked, unparked in steps:
            await asyncio.sleep(delay_s)
            device.publish(PARK, state, PARK=parked, UNPARK=unparked)
            if state is State.OK:
                device.publish(TRACK, State.IDLE, TRACK_ON=False, TRACK_OFF=True)

    device.answers[PARK] = answer
    return device


def test_a_mount_that_parks_and_stands_still_is_late_before_its_deadline() -> None:
    """The sky turns by 0.25° in a minute; who parks goes further."""
    device = parking([(0, State.BUSY, True, False)])

    async def report(_: Scripted) -> None:
        for second in range(100):
            at(device, State.OK, 1.0 + second / 3600.0, 40.0)
            await asyncio.sleep(1.0)

    async def story(link: Link) -> None:
        mount = await connected(link)
        device.begin(report(device))
        began_s = asyncio.get_running_loop().time()
        with pytest.raises(DeviceLate, match=r"it reads PARK=True, UNPARK=False \(Busy\)"):
            await mount.park()
        assert asyncio.get_running_loop().time() - began_s < 50.0

    tell(device, story)


def test_a_mount_that_parks_slowly_may_take_its_time() -> None:
    device = parking([(0, State.BUSY, True, False), (90, State.OK, True, False)])

    async def report(_: Scripted) -> None:
        for second in range(90):
            at(device, State.BUSY, 1.0, 40.0 + second / 2.0)
            await asyncio.sleep(1.0)

    async def story(link: Link) -> None:
        mount = await connected(link)
        device.begin(report(device))
        await mount.park()
        assert mount.is_parked

    tell(device, story)


def test_parking_is_asked_for_once_and_a_parked_mount_is_left_alone() -> None:
    device = parking([(0, State.BUSY, True, False), (26, State.OK, True, False)])

    async def story(link: Link) -> None:
        mount = await connected(link)
        await mount.track(True)
        first = asyncio.create_task(mount.park())
        await asyncio.sleep(3)
        await mount.park()
        await first
        await mount.park()
        assert mount.is_parked
        assert not mount.is_tracking
        assert len(device.requests(PARK)) == 1
        with pytest.raises(DeviceRefused, match="parked"):
            await mount.slew(1, 40)
        with pytest.raises(DeviceRefused, match="parked"):
            await mount.track(True)

    tell(device, story)


@pytest.mark.parametrize(
    ("steps", "error"),
    [
        ([(0, State.BUSY, True, False), (5, State.ALERT, False, False)], DeviceRefused),
        ([(0, State.IDLE, False, True)], DeviceContradicts),
        ([(0, State.BUSY, True, False)], DeviceLate),
        ([(0, State.IDLE, True, False)], DeviceContradicts),
    ],
)
def test_a_mount_that_is_not_parked_at_the_end_says_so(
    steps: list[tuple[float, State, bool, bool]], error: type[Exception]
) -> None:
    async def story(link: Link) -> None:
        mount = await connected(link)
        await mount.track(True)
        with pytest.raises(error, match="PARK"):
            await mount.park()

    tell(parking(steps), story)


def test_the_pier_side_is_unknown_unless_one_side_is_on() -> None:
    device = mount_that(regular)
    device.add(switches("TELESCOPE_PIER_SIDE", "PIER_WEST", "PIER_EAST", rule="AtMostOne"))

    async def story(link: Link) -> None:
        mount = await connected(link)
        odd = Mount(link, "Odd", MountSettings(pier_side_inverted=True), CLOCK)
        assert mount.pier_side is odd.pier_side is PierSide.UNKNOWN
        device.publish("TELESCOPE_PIER_SIDE", State.OK, PIER_WEST=True)
        await asyncio.sleep(1)
        assert [mount.pier_side, odd.pier_side] == [PierSide.WEST, PierSide.EAST]

    tell(device, story)


def test_place_and_time_are_read_back() -> None:
    device = mount_that(regular)

    async def story(link: Link) -> None:
        mount = await connected(link)
        await mount.set_place(46.2, -8.4, 900)
        assert mount.need("GEOGRAPHIC_COORD").number("LONG") == pytest.approx(351.6)
        await mount.set_time(datetime(2026, 11, 14, 21, 0, 5, tzinfo=UTC))
        assert mount.need("TIME_UTC").text("UTC") == "2026-11-14T21:00:05"

        async def own_place(device: Scripted, _: Mapping[str, Value]) -> None:
            device.publish("GEOGRAPHIC_COORD", State.OK, LAT=51.5, LONG=0.0, ELEV=0.0)

        device.answers["GEOGRAPHIC_COORD"] = own_place
        with pytest.raises(DeviceContradicts, match=r"LAT=51\.5"):
            await mount.set_place(46.2, -8.4, 900)

    tell(device, story)


@given(st.tuples(*[st.floats(0, 23.99), st.floats(-90, 90)] * 2))
def test_distances_are_those_of_astropy(place: tuple[float, float, float, float]) -> None:
    ra_a, dec_a, ra_b, dec_b = place
    here = SkyCoord(ra_a * u.hourangle, dec_a * u.deg)
    there = SkyCoord(ra_b * u.hourangle, dec_b * u.deg)
    distance_deg = Position(ra_a, dec_a).distance_deg(Position(ra_b, dec_b))
    assert distance_deg == pytest.approx(here.separation(there).deg, abs=1e-5)


# Pulses ---------------------------------------------------------------------------------------

WE, NS = "TELESCOPE_TIMED_GUIDE_WE", "TELESCOPE_TIMED_GUIDE_NS"


def port_that(answers: list[tuple[float, State]]) -> Scripted:
    async def pulse_we(device: Scripted, asked: Mapping[str, Value]) -> None:
        for delay_s, state in answers:
            await asyncio.sleep(delay_s)
            device.publish(WE, state, **asked)

    return Scripted(
        numbers(WE, {"TIMED_GUIDE_W": 700.0, "TIMED_GUIDE_E": 0.0}, (0, 60000)),
        numbers(NS, {"TIMED_GUIDE_N": 0.0, "TIMED_GUIDE_S": 0.0}, (0, 60000)),
        TELESCOPE_TIMED_GUIDE_WE=pulse_we,
    )


@pytest.mark.parametrize(
    ("answers", "took_s"),
    [
        pytest.param([(0, State.BUSY), (0.5, State.IDLE)], 0.5, id="Idle at the end"),
        pytest.param([(0, State.BUSY), (0.7, State.OK)], 0.7, id="Ok a little late"),
        pytest.param([(0, State.OK)], 0.5, id="acknowledged at once"),
        pytest.param([(1.9, State.IDLE)], 1.9, id="only its end"),
    ],
)
def test_a_pulse_lasts_its_own_time_at_least(
    answers: list[tuple[float, State]], took_s: float
) -> None:
    device = port_that(answers)

    async def story(link: Link) -> None:
        port = GuidePort(link, "Odd", GuidePortSettings(), CLOCK)
        await port.connect()
        begun_s = asyncio.get_running_loop().time()
        await port.pulse(west_ms=-500, north_ms=100)
        assert asyncio.get_running_loop().time() - begun_s == pytest.approx(took_s, abs=0.01)
        assert device.requests(WE) == [{"TIMED_GUIDE_W": 0, "TIMED_GUIDE_E": 500}]
        assert device.requests(NS) == [{"TIMED_GUIDE_N": 100, "TIMED_GUIDE_S": 0}]

    tell(device, story)


@pytest.mark.parametrize(
    ("answers", "error"),
    [
        ([(0, State.BUSY)], DeviceLate),
        ([], DeviceLate),
        ([(0, State.ALERT), (0, State.ALERT)], DeviceRefused),
    ],
)
def test_a_pulse_without_an_end_is_an_error(
    answers: list[tuple[float, State]], error: type[Exception]
) -> None:
    async def story(link: Link) -> None:
        port = GuidePort(link, "Odd", GuidePortSettings(), CLOCK)
        await port.connect()
        with pytest.raises(error):
            await port.pulse(west_ms=500)
        assert asyncio.get_running_loop().time() < 10
        with pytest.raises(DeviceRefused, match="longest"):
            await port.pulse(west_ms=60_001)
        assert port.rates is None

    tell(port_that(answers), story)


def test_no_pulse_asks_nothing() -> None:
    device = port_that([])

    async def story(link: Link) -> None:
        port = GuidePort(link, "Odd", GuidePortSettings(), CLOCK)
        await port.connect()
        await port.pulse()
        assert device.requests(WE) == device.requests(NS) == []

    tell(device, story)
