"""Where a target stood at its pointings, over all nights."""

from pathlib import Path

import pytest

from nightloom.ledger import Ledger, LedgerError, Place


def test_places_come_back_by_night_and_number(tmp_path: Path) -> None:
    first = Place("2026-11-09", "M81", 1, 0.5, -1.0)
    second = Place("2026-11-10", "M81", 1, 4.0, 2.5)
    third = Place("2026-11-10", "M81", 2, -3.0, 0.0)
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        for place in (second, first, third, Place("2026-11-10", "M31", 1, 0.0, 0.0)):
            ledger.add_place(place)
    with Ledger.read(tmp_path / "ledger.sqlite") as ledger:
        assert ledger.places("M81") == [first, second, third]
        assert ledger.places("M33") == []


def test_one_pointing_is_entered_once(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        ledger.add_place(Place("2026-11-10", "M81", 1, 0.0, 0.0))
        with pytest.raises(LedgerError, match="enter places"):
            ledger.add_place(Place("2026-11-10", "M81", 1, 1.0, 0.0))
