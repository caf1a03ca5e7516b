"""Which night a daemon takes up: one that ended is over, and one that was left goes on."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from night.nights import NIGHT, demo
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.next_night import next_night
from nightloom.night.night import ENDED, GIVEN_UP, LEFT

MIDNIGHT = datetime(2026, 11, 10, 23, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("outcome", "goes_on"),
    [(ENDED, False), (LEFT, True), (GIVEN_UP, True), ("the daemon had ended", True)],
)
def test_a_night_that_ended_is_not_begun_again(tmp_path: Path, outcome: str, goes_on: bool) -> None:
    """However early it ended: another round would find what ended it."""
    settings, _ = demo()
    with Ledger(tmp_path / FILE_NAME) as ledger:
        assert next_night(settings, ledger, MIDNIGHT.timestamp()) == NIGHT
        record = ledger.begin("night", {"night": str(NIGHT)}, MIDNIGHT)
        assert next_night(settings, ledger, MIDNIGHT.timestamp()) == NIGHT
        ledger.finish(record, outcome, MIDNIGHT)
        assert (next_night(settings, ledger, MIDNIGHT.timestamp()) == NIGHT) is goes_on


def test_a_night_that_a_daemon_gave_up_is_not_begun_again_by_the_same(tmp_path: Path) -> None:
    """Somebody who mended the rig starts another one."""
    settings, _ = demo()
    with Ledger(tmp_path / FILE_NAME) as ledger:
        record = ledger.begin("night", {"night": str(NIGHT)}, MIDNIGHT)
        ledger.finish(record, GIVEN_UP, MIDNIGHT)
        after = next_night(settings, ledger, MIDNIGHT.timestamp(), {NIGHT})
        assert after == NIGHT + timedelta(days=1)
