"""The ledger, at its public surface."""

import sqlite3
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom.ledger import Check, Curve, Frame, Ledger, LedgerError, Verdict
from nightloom.ledger.migrations import MIGRATIONS

DUSK = datetime(2026, 11, 14, 18, 0, tzinfo=UTC)

FRAME = Frame(
    uid="f0001",
    night="2026-11-14",
    target="M81",
    filter="L",
    exposure_s=120.0,
    start_utc=DUSK,
    path="2026-11-14/M81/L/f0001.fits",
    sha256="ab" * 32,
    verdict=Verdict.ACCEPTED,
    reason="",
    pointing=3,
    half_flux_radius_px=2.25,
    stars=431,
    background_adu=812.5,
    guide_rms_arcsec=0.61,
)

CURVE = Curve(
    night="2026-11-14",
    taken_utc=DUSK,
    filter="Ha",
    positions_steps=(100, 120, 140),
    radii_px=(3.1, 2.0, 3.2),
    accepted=True,
    vertex_steps=119.8,
    error_steps=0.7,
    temperature_c=4.5,
)


CHECK = Check(
    night="2026-11-14",
    taken_utc=DUSK + timedelta(hours=1),
    filter="L",
    positions_steps=(95, 145, 145, 95),
    radii_px=(2.1, 2.3, None, 2.1),
    outcome="stayed",
    vertex_steps=118.6,
    error_steps=1.9,
    correction_steps=0.0,
    temperature_c=4.1,
    reason="the temperature changed by -2.0 °C",
)


def frame(number: int, filter_name: str = "L", **changes: object) -> Frame:
    uid, start = f"f{number:04}", DUSK + timedelta(minutes=3 * number)
    return replace(FRAME, uid=uid, start_utc=start, filter=filter_name, **changes)  # type: ignore[arg-type]


def test_a_frame_comes_back_as_it_was_entered_also_after_reopening(tmp_path: Path) -> None:
    bare = frame(2, half_flux_radius_px=None, stars=None, verdict=Verdict.REJECTED, reason="trail")
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        ledger.add_frame(bare)
        ledger.add_frame(FRAME)
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        assert ledger.frames() == [FRAME, bare]


def test_the_tally_counts_accepted_seconds_over_all_nights_and_by_night(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        for entry in (
            frame(1),
            frame(2),
            frame(3, "R"),
            frame(4, "R", verdict=Verdict.REJECTED, reason="cloud"),
            frame(5, night="2026-11-15"),
            frame(6, target="M31"),
        ):
            ledger.add_frame(entry)
        assert ledger.accepted_s("M81") == {"L": 360.0, "R": 120.0}
        assert ledger.accepted_s("M81", night="2026-11-14") == {"L": 240.0, "R": 120.0}
        assert ledger.accepted_s("nothing") == {}
        assert ledger.subs("M81") == {"L": 3, "R": 1}
        assert ledger.subs("M81", Verdict.REJECTED) == {"R": 1}
        assert ledger.targets() == ["M31", "M81"]


def test_no_frame_counts_twice(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        ledger.add_frame(FRAME)
        with pytest.raises(LedgerError, match="enter frame f0001"):
            ledger.add_frame(FRAME)
        assert ledger.accepted_s("M81") == {"L": 120.0}


def test_an_accepted_frame_can_be_taken_back_once(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        for entry in (frame(1), frame(2), frame(3)):
            ledger.add_frame(entry)
        assert ledger.reject("f0001", "it was dim") == ledger.frames()[0]
        assert [one.uid for one in ledger.to_amend()] == ["f0001"]
        ledger.amended("f0001", "cd" * 32)
        assert ledger.to_amend() == []
        assert ledger.accepted_s("M81") == {"L": 240.0}
        kept = ledger.frames()[0]
        assert (kept.verdict, kept.reason, kept.sha256) == (
            Verdict.REJECTED,
            "it was dim",
            "cd" * 32,
        )
        assert kept.taken_back_after == "f0003", "until then it had counted"
        assert ledger.latest("M81", "2026-11-14", 3) == [("L", None), ("L", True), ("L", True)]
        for uid in ("f0001", "f0009"):
            with pytest.raises(LedgerError, match="no such accepted frame"):
                ledger.reject(uid, "it was dim")
        with pytest.raises(LedgerError, match="taken back"):
            ledger.amended("f0002", "cd" * 32)


def test_a_rejection_needs_a_reason(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger, pytest.raises(LedgerError):
        ledger.add_frame(frame(1, verdict=Verdict.REJECTED, reason=""))


def test_numbers_from_numpy_and_measurements_that_failed_are_stored(tmp_path: Path) -> None:
    measured = frame(
        1,
        half_flux_radius_px=np.float32(2.5),
        stars=np.int64(7),
        background_adu=float("nan"),
    )
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        ledger.add_frame(measured)
        kept = ledger.frames()[0]
    assert (kept.half_flux_radius_px, kept.stars, kept.background_adu) == (2.5, 7, None)


def test_an_intent_without_outcome_is_found_after_reopening(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        done = ledger.begin("expose", {"uid": "f0001"}, DUSK)
        ledger.finish(done, "kept", DUSK + timedelta(seconds=130))
        ledger.begin("close the roof", {"device": "Roof"}, DUSK + timedelta(hours=1))
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        (left,) = ledger.unfinished()
        assert (left.kind, left.detail, left.outcome) == (
            "close the roof",
            {"device": "Roof"},
            None,
        )
        assert left.begun_utc == DUSK + timedelta(hours=1)


def test_an_intent_ends_once(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        intent = ledger.begin("park", {}, DUSK)
        ledger.finish(intent, "parked", DUSK)
        with pytest.raises(LedgerError, match="no such unfinished intent"):
            ledger.finish(intent, "parked", DUSK)


def test_curves_come_back_by_filter(tmp_path: Path) -> None:
    refused = replace(
        CURVE, filter="L", accepted=False, refusal="flat", vertex_steps=None, error_steps=None
    )
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        ledger.add_curve(CURVE)
        ledger.add_curve(refused)
        assert ledger.curves() == [CURVE, refused]
        assert ledger.curves(filter="Ha") == [CURVE]


def test_checks_come_back_by_night(tmp_path: Path) -> None:
    blind = replace(
        CHECK, night="2026-11-15", outcome="unclear", vertex_steps=np.nan, error_steps=np.inf
    )
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        ledger.add_check(CHECK)
        ledger.add_check(blind)
        assert ledger.checks(night="2026-11-14") == [CHECK]
        assert ledger.checks()[1] == replace(blind, vertex_steps=None, error_steps=None)


def test_a_clear_check_has_a_vertex(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger, pytest.raises(LedgerError):
        ledger.add_check(replace(CHECK, vertex_steps=None))


def test_a_second_writer_is_refused_and_a_reader_is_not(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as writer:
        writer.add_frame(FRAME)
        with pytest.raises(LedgerError, match="another process"):
            Ledger(path)
        with Ledger.read(path) as reader:
            assert reader.accepted_s("M81") == {"L": 120.0}
            with pytest.raises(LedgerError, match="readonly"):
                reader.add_frame(frame(2))
    with Ledger(path) as writer:
        assert writer.accepted_s("M81") == {"L": 120.0}


@pytest.mark.servers
def test_a_killed_writer_loses_nothing_and_leaves_no_lock(tmp_path: Path) -> None:
    """After kill -9 each write that had returned is there, and the file opens at once."""
    path = tmp_path / "ledger.sqlite"
    script = (
        "import os, signal, sys; from pathlib import Path; from datetime import datetime, UTC;"
        "from nightloom.ledger import Ledger; ledger = Ledger(Path(sys.argv[1]));"
        "ledger.begin('expose', {}, datetime(2026, 11, 14, tzinfo=UTC));"
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    ended = subprocess.run([sys.executable, "-c", script, str(path)], check=False, timeout=60)
    assert ended.returncode == -9
    with Ledger(path) as ledger:
        assert [intent.kind for intent in ledger.unfinished()] == ["expose"]


def test_writes_are_synchronous_in_wal_mode(tmp_path: Path) -> None:
    """FULL (2) makes each commit in WAL mode durable: sqlite.org/pragma.html#pragma_synchronous."""
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        [synchronous] = ledger._connection.execute("PRAGMA synchronous").fetchone()
        [journal_mode] = ledger._connection.execute("PRAGMA journal_mode").fetchone()
        assert (synchronous, journal_mode) == (2, "wal")


def test_a_ledger_from_a_newer_program_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    Ledger(path).close()
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    connection.close()
    with pytest.raises(LedgerError, match="this program knows version"):
        Ledger(path)


def test_a_file_that_is_no_ledger_and_one_that_is_missing_are_refused(tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("not a database, however long this sentence may be " * 40)
    with pytest.raises(LedgerError, match="not a database"):
        Ledger(tmp_path / "note.txt")
    with pytest.raises(LedgerError, match="unable to open"):
        Ledger.read(tmp_path / "missing.sqlite")


@settings(max_examples=30)
@given(entries=st.lists(st.tuples(st.sampled_from("LRGB"), st.booleans()), max_size=20))
def test_the_tally_is_the_sum_of_the_accepted_frames(
    tmp_path_factory: pytest.TempPathFactory, entries: list[tuple[str, bool]]
) -> None:
    with Ledger(tmp_path_factory.mktemp("tally") / "ledger.sqlite") as ledger:
        for number, (filter_name, good) in enumerate(entries):
            verdict, reason = (Verdict.ACCEPTED, "") if good else (Verdict.REJECTED, "cloud")
            ledger.add_frame(frame(number, filter_name, verdict=verdict, reason=reason))
        expected = {
            name: 120.0 * entries.count((name, True)) for name in "LRGB" if (name, True) in entries
        }
        assert ledger.accepted_s("M81") == expected
