"""What the rig takes for things between subs, as the ledger keeps it."""

import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from scipy.stats import norm

from nightloom.ledger import (
    ENOUGH,
    Duration,
    Frame,
    Ledger,
    LedgerError,
    Part,
    Verdict,
    running,
    running_figures,
)
from nightloom.ledger.migrations import MIGRATIONS
from nightloom.ledger.running import LATEST

DUSK = datetime(2026, 11, 14, 18, 0, tzinfo=UTC)


def downloads(each_s: list[float]) -> list[Duration]:
    return [
        Duration(Part.DOWNLOAD, took_s, DUSK + timedelta(minutes=minute))
        for minute, took_s in enumerate(each_s)
    ]


def test_durations_come_back_the_latest_of_each_kind_and_pair(tmp_path: Path) -> None:
    first = Duration(Part.CHANGE, 2.1, DUSK, "R", "G")
    back = Duration(Part.CHANGE, 3.4, DUSK, "G", "R")
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        for one in (first, back, *downloads([1.0, 1.1, 1.2])):
            ledger.add_duration(one)
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        assert ledger.durations(latest=2) == [first, back, *downloads([1.0, 1.1, 1.2])[1:]]


def test_a_duration_below_nought_is_refused(tmp_path: Path) -> None:
    with (
        Ledger(tmp_path / "ledger.sqlite") as ledger,
        pytest.raises(LedgerError, match="durations"),
    ):
        ledger.add_duration(Duration(Part.DITHER, -1.0, DUSK))


def test_the_figure_is_the_median_with_its_spread() -> None:
    """One dither that did not settle moves nothing.

    Spread: the median absolute deviation, here of 1, 0, 1, 50, 1 from 10, over that of a normal
    distribution of σ 1 (Hampel, J. Am. Stat. Assoc. 69, 383, 1974).
    """
    figures = running(downloads([9, 10, 11, 60, 9]))
    figure = figures[Part.DOWNLOAD, "", ""]
    assert (figure.median_s, figure.count) == (10, 5)
    assert figure.spread_s == pytest.approx(1 / norm.ppf(0.75), abs=1e-4)
    assert figure.enough


def test_a_few_durations_are_not_enough() -> None:
    assert not running(downloads([1.0] * (ENOUGH - 1)))[Part.DOWNLOAD, "", ""].enough


def test_the_figure_follows_a_rig_that_changed(tmp_path: Path) -> None:
    """Only the latest count: a camera on another cable is known after a night."""
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        for one in downloads([5.0] * 100 + [1.0] * LATEST):
            ledger.add_duration(one)
        figure = running_figures(ledger)[Part.DOWNLOAD, "", ""]
    assert (figure.median_s, figure.spread_s, figure.count) == (1.0, 0.0, LATEST)


def test_a_ledger_of_the_first_version_is_brought_up_to_date(tmp_path: Path) -> None:
    """Its frames stay, without a rotation, and durations can be entered."""
    path = tmp_path / "ledger.sqlite"
    connection = sqlite3.connect(path)
    connection.executescript(
        f"{MIGRATIONS[0]} PRAGMA user_version = 1;"
        "INSERT INTO frames VALUES ('f1', '2026-11-14', 'M81', 'L', 120.0,"
        " '2026-11-14T18:00:00+00:00', '', '', 'accepted', '', 1, NULL, NULL, NULL, NULL);"
    )
    connection.close()
    with Ledger(path) as ledger:
        (frame,) = ledger.frames()
        assert (frame.uid, frame.rotation_deg) == ("f1", None)
        ledger.add_duration(Duration(Part.DITHER, 11.0, DUSK))
        assert len(ledger.durations(latest=5)) == 1


def light(number: int, filter_name: str, night: str, **more: object) -> Frame:
    start = datetime.fromisoformat(f"{night}T20:00:00+00:00") + timedelta(minutes=3 * number)
    told = {"verdict": Verdict.ACCEPTED, "reason": "", **more}
    uid = f"{night}-{number}"
    return Frame(uid, night, "M81", filter_name, 120.0, start, "", "", pointing=1, **told)  # type: ignore[arg-type]


def test_the_latest_frames_of_a_night_in_order(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        ledger.add_frame(light(0, "L", "2026-11-13"))
        for number, name in enumerate("LRGB"):
            bad = {"verdict": Verdict.REJECTED, "reason": "cloud"} if name == "R" else {}
            ledger.add_frame(light(number, name, "2026-11-14", **bad))
        assert ledger.latest("M81", "2026-11-14", 3) == [("R", False), ("G", True), ("B", True)]
        assert ledger.latest("M31", "2026-11-14", 3) == []


def test_the_rotation_of_an_earlier_night(tmp_path: Path) -> None:
    """The latest accepted frame that was solved says it; tonight's do not."""
    bad = {"verdict": Verdict.REJECTED, "reason": "cloud"}
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        assert ledger.rotation("M81", before="2026-11-14") is None
        ledger.add_frame(light(0, "L", "2026-11-12", rotation_deg=10.0))
        ledger.add_frame(light(0, "L", "2026-11-13", rotation_deg=95.5))
        ledger.add_frame(light(1, "L", "2026-11-13", rotation_deg=7.0, **bad))
        ledger.add_frame(light(2, "L", "2026-11-13"))
        ledger.add_frame(light(0, "L", "2026-11-14", rotation_deg=3.0))
        assert ledger.rotation("M81", before="2026-11-14") == ("2026-11-13", 95.5)
