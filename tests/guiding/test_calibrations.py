"""Which guide calibration of the ledger is used where."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from nightloom.guiding import Calibration
from nightloom.guiding.kept_calibrations import Calibrations
from nightloom.ledger import FILE_NAME, Ledger

AT = datetime(2026, 11, 10, 20, tzinfo=UTC)
WEST = Calibration(30.0, 120.0, 2.0, 2.5, 0.0, "west", 0.4)
EAST = Calibration(-148.0, -58.0, 2.1, 2.4, 0.0, "east", 0.3)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / FILE_NAME) as opened:
        yield opened


def test_nothing_is_known_at_first(ledger: Ledger) -> None:
    assert Calibrations(ledger, 4.0).fitting(40.0, "west") is None


def test_each_side_of_the_pier_has_its_own(ledger: Ledger) -> None:
    """By another object too, as on another night."""
    for one in (WEST, EAST):
        Calibrations(ledger, 4.0).keep(one, AT)
    again = Calibrations(ledger, 4.0)
    assert again.fitting(0.0, "west") == WEST
    assert again.fitting(0.0, "east") == EAST


def test_a_side_without_one_uses_the_others_turned_round(ledger: Ledger) -> None:
    """The camera hangs upside down there: the same offset counts the other way on both axes."""
    kept = Calibrations(ledger, 4.0)
    kept.keep(WEST, AT)
    east = kept.fitting(0.0, "east")
    assert east is not None
    assert east.pier_side == "east"
    west_axes, east_axes = WEST.to_axes(1.0, 0.3), east.to_axes(1.0, 0.3)
    assert east_axes == pytest.approx([-one for one in west_axes])


@pytest.mark.parametrize(("dec_deg", "cosine"), [(0.0, 1.0), (60.0, 0.5), (-60.0, 0.5)])
def test_it_is_scaled_to_the_declination_of_a_target(
    ledger: Ledger, dec_deg: float, cosine: float
) -> None:
    kept = Calibrations(ledger, 4.0)
    kept.keep(WEST, AT)
    here = kept.fitting(dec_deg, "west")
    assert here is not None
    assert here.ra_rate_px_per_s == pytest.approx(2.0 * cosine)
    assert here.dec_rate_px_per_s == 2.5


def test_the_latest_of_a_side_counts(ledger: Ledger) -> None:
    kept = Calibrations(ledger, 4.0)
    kept.keep(WEST, AT)
    kept.keep(Calibration(80.0, 170.0, 2.0, 2.5, 0.0, "west"), AT)
    found = kept.fitting(0.0, "west")
    assert found is not None
    assert found.ra_angle_deg == 80.0


def test_another_scale_makes_it_worthless(ledger: Ledger) -> None:
    """The guide camera was binned, say."""
    Calibrations(ledger, 4.0).keep(WEST, AT)
    assert Calibrations(ledger, 8.0).fitting(0.0, "west") is None
