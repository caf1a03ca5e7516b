"""The simulated mount, over the loopback."""

import asyncio

import pytest
from astropy import units as u
from astropy.coordinates import EarthLocation
from astropy.time import Time
from astropy.utils import iers

from nightloom_drivers.errors import DeviceLate
from nightloom_drivers.virtual_loop import run_virtual
from simulators.on_loopback import SETTINGS, START_S, Bench, bench

MOUNT = "Rig Mount"
EOD, PARK, TRACK = "EQUATORIAL_EOD_COORD", "TELESCOPE_PARK", "TELESCOPE_TRACK_STATE"


def sidereal_h(unix_s: float) -> float:
    """Apparent sidereal time at the site, as astropy computes it."""
    site = SETTINGS.site
    place = EarthLocation.from_geodetic(site.longitude_deg * u.deg, site.latitude_deg * u.deg)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        return float(Time(unix_s, format="unix").sidereal_time("apparent", place.lon).hour)


async def unparked(rig: Bench) -> None:
    await rig.ask(MOUNT, PARK, {"PARK": False, "UNPARK": True})


def east(hours: float) -> float:
    """Right ascension so many hours east of the meridian when the tests begin."""
    return (sidereal_h(START_S) + hours) % 24.0


def test_a_slew_is_busy_and_ends_ok_at_its_target_tracking() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            await unparked(rig)
            with rig.story(MOUNT, EOD, TRACK) as told:
                target = {"RA": east(2.0), "DEC": 40.0}
                there = await rig.ask(MOUNT, EOD, target)
            states = [state for name, state, _ in told if name == EOD]
            assert set(states[:-1]) == {"Busy"}
            assert len(states) > 5  # It reports its way.
            assert states[-1] == "Ok"
            assert there.number("RA") == pytest.approx(target["RA"], abs=1 / 3600 / 15)
            assert there.number("DEC") == pytest.approx(40.0, abs=1 / 3600)
            assert [(s, v) for n, s, v in told if n == TRACK][-1] == ("Busy", (False, True))

    run_virtual(night())


def test_a_tracking_mount_is_silent_and_stands_still_among_the_stars() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            await unparked(rig)
            there = await rig.ask(MOUNT, EOD, {"RA": east(2.0), "DEC": 40.0})
            with rig.story(MOUNT, EOD) as told:
                await asyncio.sleep(1800.0)
            assert told == []
            ra_h, dec_deg = rig.world.mount.reported(rig.clock.unix_s())
            assert ra_h == pytest.approx(there.number("RA"), abs=1e-5)
            assert dec_deg == pytest.approx(there.number("DEC"), abs=1e-5)

    run_virtual(night())


def test_a_standing_mount_drifts_with_the_sidereal_time_and_is_idle() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            await unparked(rig)
            before = rig.link.get(MOUNT, EOD)
            await asyncio.sleep(600.0)
            after = rig.link.get(MOUNT, EOD)
            assert before is not None
            assert after is not None
            assert after.state == "Idle"
            drift_h = (after.number("RA") - before.number("RA")) % 24
            # A sidereal day has 86164.09 s (IAU; in any almanac).
            assert drift_h == pytest.approx(600.0 / 86164.09 * 24, abs=6 / 3600)

    run_virtual(night())


def test_the_side_of_the_pier_follows_the_meridian() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            await unparked(rig)
            for hours, side in ((2.0, "PIER_WEST"), (-2.0, "PIER_EAST")):
                await rig.ask(MOUNT, EOD, {"RA": east(hours), "DEC": 40.0})
                known = rig.link.get(MOUNT, "TELESCOPE_PIER_SIDE")
                assert known is not None
                assert known.on(side)

    run_virtual(night())


def test_sending_the_place_again_after_transit_flips_the_mount() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            await unparked(rig)
            place = {"RA": east(0.2), "DEC": 40.0}
            await rig.ask(MOUNT, EOD, place)
            await asyncio.sleep(0.5 * 3600)
            known = rig.link.get(MOUNT, "TELESCOPE_PIER_SIDE")
            assert known is not None
            assert known.on("PIER_WEST")  # Tracking across the meridian changes nothing.
            await rig.ask(MOUNT, EOD, place)
            known = rig.link.get(MOUNT, "TELESCOPE_PIER_SIDE")
            assert known is not None
            assert known.on("PIER_EAST")

    run_virtual(night())


def test_a_mount_at_its_limit_stops_tracking_and_says_so() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            await unparked(rig)
            sent = rig.link.set(MOUNT, EOD, {"RA": east(0.2), "DEC": 40.0})
            await rig.link.wait(MOUNT, EOD, lambda v: v.state == "Ok", after=sent, timeout_s=200)
            off = await rig.link.wait(
                MOUNT, TRACK, lambda v: v.on("TRACK_OFF"), after=rig.link.serial, timeout_s=7200
            )
            assert off.state == "Idle"
            assert rig.world.mount.hour_angle_h(rig.clock.unix_s()) == pytest.approx(1.0, abs=0.01)
            await asyncio.sleep(1.0)
            known = rig.link.get(MOUNT, EOD)
            assert known is not None
            assert known.state == "Idle"

    run_virtual(night())


def test_a_parked_mount_refuses_with_idle_and_a_warning() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            with rig.story(MOUNT, EOD, TRACK, "message") as told:
                await rig.ask(MOUNT, EOD, {"RA": east(2.0), "DEC": 40.0}, end="Idle")
                rig.link.set(MOUNT, TRACK, {"TRACK_ON": True, "TRACK_OFF": False})
                await asyncio.sleep(1.0)
            assert [state for name, state, _ in told if name == EOD] == ["Idle"]
            warnings = [text for name, text, _ in told if name == "message"]
            assert len(warnings) == 2
            assert all(text.startswith("[WARNING] ") for text in warnings)
            assert TRACK not in {name for name, _, _ in told}

    run_virtual(night())


@pytest.mark.parametrize("asked", [{"RA": 25.0, "DEC": 0.0}, {"RA": 3.0}, {"RA": 3.0, "DEC": 91.0}])
def test_half_a_place_or_none_at_all_gets_no_answer(asked: dict[str, float]) -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            await unparked(rig)
            await rig.ask(MOUNT, TRACK, {"TRACK_ON": True, "TRACK_OFF": False}, end="Busy")
            await asyncio.sleep(1.0)
            sent = rig.link.set(MOUNT, EOD, asked)
            with pytest.raises(DeviceLate):
                await rig.link.wait(MOUNT, EOD, lambda _: True, after=sent, timeout_s=30)

    run_virtual(night())


def test_parking_ends_ok_not_tracking_and_again_is_idle() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            await unparked(rig)
            await rig.ask(MOUNT, EOD, {"RA": east(2.0), "DEC": 40.0})
            with rig.story(MOUNT, PARK) as told:
                await rig.ask(MOUNT, PARK, {"PARK": True, "UNPARK": False})
                await rig.ask(MOUNT, PARK, {"PARK": True, "UNPARK": False}, end="Idle")
            assert [(state, values) for _, state, values in told] == [
                ("Busy", (True, False)),
                ("Ok", (True, False)),
                ("Idle", (True, False)),
            ]
            assert rig.world.mount.is_parked(rig.clock.unix_s())
            track = rig.link.get(MOUNT, TRACK)
            assert track is not None
            assert track.on("TRACK_OFF")
            await unparked(rig)
            assert not rig.world.mount.is_tracking(rig.clock.unix_s())

    run_virtual(night())


def test_a_second_park_while_parking_aborts_it() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            await unparked(rig)
            await rig.ask(MOUNT, EOD, {"RA": east(2.0), "DEC": 40.0})
            rig.link.set(MOUNT, PARK, {"PARK": True, "UNPARK": False})
            await asyncio.sleep(2.0)
            given_up = await rig.ask(MOUNT, PARK, {"PARK": True, "UNPARK": False}, end="Alert")
            assert not any(given_up.elements.values())
            await asyncio.sleep(200.0)
            assert not rig.world.mount.is_parked(rig.clock.unix_s())

    run_virtual(night())


def test_an_aborted_slew_is_idle_and_tracks_on_if_it_did_before() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            await unparked(rig)
            await rig.ask(MOUNT, EOD, {"RA": east(2.0), "DEC": 40.0})
            rig.link.set(MOUNT, EOD, {"RA": east(4.0), "DEC": 10.0})
            await asyncio.sleep(2.0)
            with rig.story(MOUNT, EOD) as told:
                await rig.ask(MOUNT, "TELESCOPE_ABORT_MOTION", {"ABORT": True})
            assert [state for _, state, _ in told] == ["Idle", "Ok"]
            assert rig.world.mount.is_tracking(rig.clock.unix_s())

    run_virtual(night())


def test_synchronising_moves_nothing_but_the_report() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            await unparked(rig)
            there = await rig.ask(MOUNT, EOD, {"RA": east(2.0), "DEC": 40.0})
            before = rig.world.mount.boresight(rig.clock.unix_s())
            sync = {"TRACK": False, "SLEW": False, "SYNC": True}
            await rig.ask(MOUNT, "ON_COORD_SET", sync)
            renamed = {"RA": there.number("RA") + 0.01, "DEC": 40.2}
            said = await rig.ask(MOUNT, EOD, renamed)
            after = rig.world.mount.boresight(rig.clock.unix_s())
            assert said.number("DEC") == pytest.approx(40.2)
            assert said.number("RA") == pytest.approx(renamed["RA"], abs=1e-6)
            assert abs(after.ra_deg[0] - before.ra_deg[0]) * 3600 < 1.0

    run_virtual(night())


def test_a_second_of_pulse_west_at_half_rate_is_seven_and_a_half_arcseconds() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            await unparked(rig)
            await rig.ask(MOUNT, EOD, {"RA": east(2.0), "DEC": 0.0})
            guide = "TELESCOPE_TIMED_GUIDE_WE"
            before, _ = rig.world.mount.reported(rig.clock.unix_s())
            with rig.story(MOUNT, guide) as told:
                pulse = {"TIMED_GUIDE_W": 1000.0, "TIMED_GUIDE_E": 0.0}
                await rig.ask(MOUNT, guide, pulse, end="Idle")
            after, _ = rig.world.mount.reported(rig.clock.unix_s())
            assert told == [(guide, "Busy", (1000.0, 0.0)), (guide, "Idle", (0.0, 0.0))]
            # Half of 15.041″ a second, the sidereal rate (handbook value).
            assert (after - before) * 15 * 3600 == pytest.approx(-15.041 / 2, abs=0.01)

    run_virtual(night())


def test_pulses_without_length_are_ignored_and_pulses_of_a_parked_mount_refused() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            guide = "TELESCOPE_TIMED_GUIDE_NS"
            with rig.story(MOUNT, guide) as told:
                rig.link.set(MOUNT, guide, {"TIMED_GUIDE_N": 0.0, "TIMED_GUIDE_S": 0.0})
                await asyncio.sleep(1.0)
            assert told == []
            await rig.ask(MOUNT, guide, {"TIMED_GUIDE_N": 500.0}, end="Alert")
            await unparked(rig)
            await rig.ask(MOUNT, guide, {"TIMED_GUIDE_N": 60_001.0}, end="Alert")

    run_virtual(night())


def test_site_and_time_are_taken_when_complete_and_possible() -> None:
    async def night() -> None:
        async with bench(MOUNT) as rig:
            known = rig.link.get(MOUNT, "TIME_UTC")
            assert known is not None
            assert known["UTC"] == "2026-11-14T21:00:00"
            here = {"LAT": 47.0, "LONG": 9.0, "ELEV": 500.0}
            await rig.ask(MOUNT, "GEOGRAPHIC_COORD", here)
            await rig.ask(MOUNT, "GEOGRAPHIC_COORD", {"LAT": 1.0, "LONG": 9.0}, end="Idle")
            nowhere = {"LAT": 0.0, "LONG": 0.0, "ELEV": 0.0}
            await rig.ask(MOUNT, "GEOGRAPHIC_COORD", nowhere, end="Idle")
            await rig.ask(MOUNT, "GEOGRAPHIC_COORD", {**here, "LONG": -9.0}, end="Alert")
            await rig.ask(MOUNT, "TIME_UTC", {"UTC": "2026-11-25T05:06:27", "OFFSET": "1.00"})
            wrong = {"UTC": "2026-13-25T05:06:27", "OFFSET": "1.00"}
            await rig.ask(MOUNT, "TIME_UTC", wrong, end="Alert")

    run_virtual(night())
