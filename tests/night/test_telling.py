"""What the daemon tells of itself, held against the rig's truth at moments of a night."""

import asyncio
from datetime import UTC, datetime
from pathlib import Path

import pytest

from night.asking import SUB_S, Person, asked_night
from night.nights import demo
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.telling import told_of_idle, told_of_night
from nightloom.requests import Pause, Retire, Told, line_of, read_answer
from nightloom.schedule.windows import darkness
from nightloom.status import Account, Status
from nightloom.telemetry import events as e
from nightloom_drivers.clock import real_monotonic_s
from nightloom_drivers.simulators.faults import Faults
from nightloom_drivers.simulators.rig import CAMERA

QUICK_S = 0.25
"""The loop stands still meanwhile; on a small computer it may take four times what it does here."""


def told(person: Person) -> Status:
    """What is told, and comes through a line as it was."""
    began_s = real_monotonic_s()
    status = told_of_night(person.context)
    assert real_monotonic_s() - began_s < QUICK_S
    through = read_answer(line_of(Told(status=status)))
    assert isinstance(through, Told)
    assert through.status == status
    return status


def test_what_is_told_is_what_is_so(tmp_path: Path) -> None:
    moments: dict[str, Status] = {}

    async def ask(person: Person) -> None:
        world, faults = (
            person.rig.world,
            Faults(person.rig.link, person.rig.simulators, person.rig.world, person.clock),
        )
        await person.phase("readying")
        await asyncio.sleep(60.0)
        moments["waking"] = told(person)
        await person.phase("acquiring")
        await asyncio.sleep(1.0)
        moments["acquiring"] = told(person)
        for _ in range(4):
            await person.logged(e.SubBegun)
        await asyncio.sleep(10.0)
        status = moments["exposing"] = told(person)
        left = person.rig.simulator(CAMERA).properties["CCD_EXPOSURE"].elements
        assert status.exposing is not None
        assert status.exposing.left_s == pytest.approx(left["CCD_EXPOSURE_VALUE"], abs=1.0)
        assert status.exposing.open_s + status.exposing.left_s == pytest.approx(SUB_S, abs=1.0)
        assert status.next is not None
        foretold, expected_utc = status.next.what, status.next.at_utc
        await person.logged(e.SubBegun)
        assert person.account.begun is not None
        utc, sub = person.account.begun
        assert foretold == f"a sub of {sub.exposure_s:g} s in {sub.filter}"
        assert expected_utc is not None
        assert 0.0 <= (utc - expected_utc).total_seconds() < 60.0
        await person.frame_comes_down()
        await asyncio.sleep(0.5)
        moments["downloading"] = told(person)
        faults.rain(for_s=600.0)
        await person.phase("sheltering")
        await asyncio.sleep(300.0)
        moments["sheltering"] = told(person)
        assert world.roof.is_closed(person.now_s)
        await person.phase("gathering")
        assert person.ask(Pause())
        await person.phase("pausing")
        await asyncio.sleep(10.0)
        moments["pausing"] = told(person)
        person.ask(Retire(now=True))
        await person.phase("retiring")
        await asyncio.sleep(0.5)
        moments["retiring"] = told(person)

    story = asked_night(tmp_path, ask, hours=1.2)
    waking, exposing = moments["waking"], moments["exposing"]
    assert waking.safety is not None
    assert (waking.safety.roof, waking.safety.mount, waking.safety.weather) == (
        "closed", "parked", [],
    )  # fmt: skip
    assert waking.target == ""
    dark = darkness(story.rehearsal.settings, story.rehearsal.night, 1.2)
    assert waking.dark_ends_utc == datetime.fromtimestamp(dark.end_unix_s, UTC)
    assert moments["acquiring"].target == "NGC 891" or moments["acquiring"].target == "Beside it"
    assert exposing.phase == "gathering"
    assert exposing.reason == "centred, guiding, in focus"
    assert exposing.target == story.of(e.SubBegun)[3].target
    assert exposing.guiding is not None
    assert exposing.guiding.held
    assert exposing.guiding.rms_arcsec is not None
    assert exposing.transparency == pytest.approx(1.0, abs=0.2)
    assert exposing.focus is not None
    assert exposing.focus.looked_utc is not None
    assert exposing.sensor_c is not None
    assert exposing.safety is not None
    assert (exposing.safety.roof, exposing.safety.mount) == ("open", "tracking")
    assert not exposing.safety.safe
    assert exposing.plan
    assert exposing.last_frame is not None
    assert exposing.last_frame.half_flux_radius_arcsec is not None
    accepted_s = sum(one.accepted_s for one in exposing.tally)
    assert accepted_s >= 2 * SUB_S
    assert moments["downloading"].exposing is None
    assert moments["downloading"].downloading
    sheltering = moments["sheltering"]
    assert sheltering.safety is not None
    assert sheltering.safety.safe
    assert sheltering.safety.weather
    assert [one.event for one in sheltering.problems] == ["weather_unsafe"]
    assert moments["pausing"].paused_by == "a test"
    assert moments["pausing"].safety is not None
    assert moments["pausing"].safety.mount == "at rest"
    assert moments["retiring"].retiring_for == "a test"


def test_between_nights_the_next_one_and_the_tally_are_told(tmp_path: Path) -> None:
    settings, _ = demo()
    account, now = Account(), datetime(2026, 11, 10, 12, tzinfo=UTC)
    begins = datetime(2026, 11, 10, 16, tzinfo=UTC)
    account.observe(now, e.NightArmed(night="2026-11-10", begins_utc=begins))
    with Ledger(tmp_path / FILE_NAME) as ledger:
        status = told_of_idle(settings, account, ledger, None, now)
    assert (status.phase, status.since_utc) == ("asleep", now)
    assert status.next is not None
    assert status.next.at_utc == begins
    assert [one.target for one in status.tally] == ["NGC 891"]
    assert told_of_idle(settings, account, None, None, now).tally == []


def test_only_the_latest_problems_are_kept() -> None:
    account, now = Account(), datetime(2026, 11, 10, 22, tzinfo=UTC)
    for number in range(100):
        account.observe(now, e.WeatherUnsafe(reasons=[f"rain {number}"]))
        account.observe(now, e.MountUnparked())
    assert len(account.problems) == 20
    assert "rain 99" in account.problems[-1].text
