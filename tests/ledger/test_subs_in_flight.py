"""One record of a sub, from its shutter to its verdict."""

import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from nightloom.ledger import (
    FILE_NAME,
    Frame,
    Ledger,
    LedgerError,
    Stage,
    Sub,
    Verdict,
    number_of,
    uid_of,
)
from nightloom.ledger.migrations import MIGRATIONS
from nightloom_drivers.frame_kind import FrameKind

DUSK = datetime(2026, 11, 14, 18, 0, tzinfo=UTC)
NIGHT = "2026-11-14"


def sub(number: int, target: str = "M81", **known: object) -> Sub:
    plain = Sub(
        uid_of(NIGHT, number), NIGHT, target, "L", 120.0, 1, DUSK + timedelta(minutes=3 * number)
    )
    return replace(plain, **known)  # type: ignore[arg-type]


def frame_of(one: Sub) -> Frame:
    return Frame(
        uid=one.uid,
        night=one.night,
        target=one.target,
        filter=one.filter,
        exposure_s=one.exposure_s,
        start_utc=one.begun_utc,
        path="a.fits",
        sha256="ab" * 32,
        verdict=Verdict.ACCEPTED,
        reason="",
        pointing=one.pointing,
    )


def test_a_sub_comes_back_as_far_as_it_had_come_also_after_reopening(tmp_path: Path) -> None:
    stored = sub(
        1,
        stage=Stage.STORED,
        airmass=1.25,
        guide_rms_arcsec=0.6,
        guide_ra_rms_arcsec=0.4,
        guide_dec_rms_arcsec=0.45,
        guide_peak_arcsec=1.5,
        guide_seeing_arcsec=0.3,
        rotation_deg=12.5,
        guide_transparency=0.97,
        lit_sky=1.5,
        start_utc=DUSK,
        path="M81/a.fits",
    )
    with Ledger(tmp_path / FILE_NAME) as ledger:
        ledger.begin_sub(sub(2, "M31"))
        ledger.begin_sub(sub(1))
        ledger.follow_sub(stored)
    with Ledger(tmp_path / FILE_NAME) as ledger:
        assert ledger.in_flight() == [stored, sub(2, "M31")]
        assert ledger.in_flight("M31") == [sub(2, "M31")]
        assert ledger.accepted_s("M81") == {}


def test_the_frame_and_the_end_of_its_sub_are_one(tmp_path: Path) -> None:
    """Without a sub in flight nothing is entered; what is entered twice is entered once."""
    with Ledger(tmp_path / FILE_NAME) as ledger:
        with pytest.raises(LedgerError, match="no such sub in flight"):
            ledger.enter(frame_of(sub(1)))
        assert ledger.frames() == []
        ledger.begin_sub(sub(1))
        ledger.enter(frame_of(sub(1)))
        assert ledger.in_flight() == []
        with pytest.raises(LedgerError, match="UNIQUE"):
            ledger.enter(frame_of(sub(1)))
        ledger.begin_sub(sub(2))
        with pytest.raises(LedgerError, match="CHECK"):
            ledger.enter(replace(frame_of(sub(2)), verdict=Verdict.REJECTED))
        assert ledger.in_flight() == [sub(2)], "it is still on its way"
        assert ledger.accepted_s("M81") == {"L": 120.0}


def test_a_sub_ends_once(tmp_path: Path) -> None:
    cancelled = sub(1, stage=Stage.CANCELLED, outcome="rain")
    with Ledger(tmp_path / FILE_NAME) as ledger:
        ledger.begin_sub(sub(1))
        with pytest.raises(LedgerError, match="UNIQUE"):
            ledger.begin_sub(sub(1))
        with pytest.raises(LedgerError, match="CHECK"):
            ledger.follow_sub(replace(cancelled, outcome=""))
        ledger.follow_sub(cancelled)
        for late in (cancelled, sub(1, stage=Stage.CLOSED)):
            with pytest.raises(LedgerError, match="no such sub in flight"):
                ledger.follow_sub(late)
        with pytest.raises(LedgerError, match="no such sub in flight"):
            ledger.enter(frame_of(sub(1)))
        assert (ledger.frames(), ledger.in_flight()) == ([], [])


def test_a_name_is_given_once_whatever_became_of_it(tmp_path: Path) -> None:
    with Ledger(tmp_path / FILE_NAME) as ledger:
        ledger.begin_sub(sub(1, stage=Stage.CANCELLED, outcome="rain"))
        ledger.add_frame(frame_of(sub(7)))
        ledger.begin_sub(sub(12))
        assert sorted(map(number_of, ledger.uids(NIGHT))) == [1, 7, 12]
        assert ledger.uids("2026-11-15") == []


def test_the_latest_act_of_a_kind_is_found_with_and_without_an_outcome(tmp_path: Path) -> None:
    with Ledger(tmp_path / FILE_NAME) as ledger:
        assert ledger.last_act("park") is None
        first = ledger.begin("park", {"n": "1"}, DUSK)
        ledger.begin("close", {}, DUSK)
        ledger.finish(first, "parked", DUSK + timedelta(seconds=30))
        found = ledger.last_act("park")
        assert found is not None
        assert (found.detail, found.outcome) == ({"n": "1"}, "parked")
        assert found.ended_utc == DUSK + timedelta(seconds=30)
        second = ledger.begin("park", {"n": "2"}, DUSK)
        found = ledger.last_act("park")
        assert found is not None
        assert (found.id, found.outcome, found.ended_utc) == (second, None, None)


def test_a_ledger_of_before_is_brought_up_with_what_it_holds(tmp_path: Path) -> None:
    """One that was made without the table of subs: its frames stay, and so do their names."""
    path = tmp_path / FILE_NAME
    number = next(n for n, step in enumerate(MIGRATIONS) if "CREATE TABLE subs" in step)
    connection = sqlite3.connect(path)
    connection.executescript("".join(MIGRATIONS[:number]) + f"PRAGMA user_version = {number};")
    connection.execute(
        "INSERT INTO frames (uid, night, target, filter, exposure_s, start_utc, path, sha256,"
        " verdict, reason, pointing) VALUES"
        f" ('{NIGHT}-0003', '{NIGHT}', 'M81', 'L', 60.0, '{DUSK.isoformat()}', '', '',"
        " 'accepted', '', 1)"
    )
    connection.commit()
    connection.close()
    with Ledger(path) as ledger:
        assert ledger.uids(NIGHT) == [f"{NIGHT}-0003"]
        assert ledger.in_flight() == []
        assert ledger.accepted_s("M81") == {"L": 60.0}


def test_subs_in_flight_of_before_frames_had_kinds_are_lights_and_keep_their_cloud(
    tmp_path: Path,
) -> None:
    """One under a cloud, one that was bumped, which its guide peak tells, and one of neither."""
    path = tmp_path / FILE_NAME
    number = next(n for n, step in enumerate(MIGRATIONS) if "DROP COLUMN doubt" in step)
    connection = sqlite3.connect(path)
    connection.executescript("".join(MIGRATIONS[:number]) + f"PRAGMA user_version = {number};")
    for uid, doubt, bumped in (("a", "cloud passed", 0), ("b", "it was off", 1), ("c", "", 0)):
        connection.execute(
            "INSERT INTO subs (uid, night, target, filter, exposure_s, pointing, begun_utc, stage,"
            " doubt, bumped, path, outcome) VALUES (?, ?, 'M81', 'L', 60.0, 1, ?, 'stored',"
            " ?, ?, '', '')",
            [uid, NIGHT, DUSK.isoformat(), doubt, bumped],
        )
    connection.commit()
    connection.close()
    with Ledger(path) as ledger:
        left = ledger.in_flight()
        assert [sub.guide_transparency for sub in left] == [0.0, None, None]
        assert {sub.kind for sub in left} == {FrameKind.LIGHT}
