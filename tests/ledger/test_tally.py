"""The tally against what was asked."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from nightloom.cycle import Cycle, Share
from nightloom.ledger import Frame, Ledger, Verdict, tally

ASKED = Cycle((Share("L", 3, 120.0), Share("R", 1, 240.0), Share("B", 1, 120.0)))


def ledger_with(path: Path, **counts: int) -> Ledger:
    """A ledger with that many accepted frames by filter, of 120 s each, and a rejected L."""
    ledger = Ledger(path / "ledger.sqlite")
    names = [name for name, count in counts.items() for _ in range(count)]
    for number, name in enumerate([*names, "rejected"]):
        good = name != "rejected"
        ledger.add_frame(
            Frame(
                uid=f"f{number}",
                night="2026-11-14",
                target="M81",
                filter=name if good else "L",
                exposure_s=120.0,
                start_utc=datetime(2026, 11, 14, 18, tzinfo=UTC) + timedelta(minutes=3 * number),
                path="",
                sha256="",
                verdict=Verdict.ACCEPTED if good else Verdict.REJECTED,
                reason="" if good else "cloud",
                pointing=1,
            )
        )
    return ledger


def test_whole_cycles_are_even(tmp_path: Path) -> None:
    with ledger_with(tmp_path, L=6, R=4, B=2) as ledger:
        result = tally(ledger, "M81", ASKED, {"L": 7200.0})
    assert result.unevenness == pytest.approx(0.0)
    assert [row.filter for row in result.filters] == ["L", "R", "B"]
    assert [row.fraction for row in result.filters] == pytest.approx([0.5, 1 / 3, 1 / 6])
    assert [row.asked_fraction for row in result.filters] == pytest.approx([0.5, 1 / 3, 1 / 6])
    assert (result.filters[0].subs, result.filters[0].rejected) == (6, 1)
    assert result.filters[0].wanted_s == 7200.0


def test_a_filter_is_ahead_by_what_it_has_over_its_share(tmp_path: Path) -> None:
    """By hand: 720 s is one cycle of 3x120 + 240 + 120; L alone has 2 of its 360 s."""
    with ledger_with(tmp_path, L=6) as ledger:
        result = tally(ledger, "M81", ASKED)
    assert [row.ahead_cycles for row in result.filters] == pytest.approx([1.0, -1.0, -1.0])
    assert result.unevenness == pytest.approx(1.0)


def test_a_filter_nobody_asked_for_is_listed_and_not_weighed(tmp_path: Path) -> None:
    with ledger_with(tmp_path, L=3, R=2, B=1, Ha=5) as ledger:
        result = tally(ledger, "M81", ASKED)
    assert result.filters[-1].filter == "Ha"
    assert (result.filters[-1].asked_fraction, result.filters[-1].ahead_cycles) == (0.0, 0.0)
    assert result.unevenness == pytest.approx(0.0)


def test_a_target_without_frames_or_without_a_request_has_a_tally(tmp_path: Path) -> None:
    with ledger_with(tmp_path, L=1) as ledger:
        assert tally(ledger, "M31", ASKED).accepted_s == 0.0
        assert tally(ledger, "M31", ASKED).unevenness == 0.0
        assert [row.accepted_s for row in tally(ledger, "M81", None).filters] == [120.0]
