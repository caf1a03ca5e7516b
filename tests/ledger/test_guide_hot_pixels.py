"""Hot pixels of the guide camera, kept over nights."""

from datetime import UTC, datetime
from pathlib import Path

from nightloom.ledger import GuideHotPixels, Ledger


def test_the_latest_map_of_a_size_counts(tmp_path: Path) -> None:
    old = GuideHotPixels(datetime(2026, 11, 9, tzinfo=UTC), 320, 240, ((1, 2), (300, 200)))
    new = GuideHotPixels(datetime(2026, 11, 10, tzinfo=UTC), 320, 240, ((1, 2),))
    binned = GuideHotPixels(datetime(2026, 11, 11, tzinfo=UTC), 160, 120, ())
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        for one in (old, new, binned):
            ledger.add_hot_pixels(one)
    with Ledger.read(tmp_path / "ledger.sqlite") as ledger:
        assert ledger.hot_pixels(320, 240) == new
        assert ledger.hot_pixels(160, 120) == binned
        assert ledger.hot_pixels(640, 480) is None
