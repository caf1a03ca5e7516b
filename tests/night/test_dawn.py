"""The end of the dark: no sub begins that would outlast it, and none is lost to it."""

from pathlib import Path

from night.nights import SELDOM_S, demo, live
from nightloom.telemetry import events as e

SUBS = {"R": 60.0, "G": 60.0}
HOURS = 0.3


def test_a_sub_that_ends_with_the_dark_is_kept(tmp_path: Path) -> None:
    """Two seconds before dawn a shutter closes; its frame comes down after it."""
    first = live(tmp_path / "first", demo(targets=SUBS, guide_s=SELDOM_S), hours=HOURS)
    (night,) = first.of(e.NightBegun)
    dark_begins_s = night.dark_begins_utc.timestamp()
    closes_s = first.at(e.SubBegun)[-1] + 60.0
    hours = (closes_s + 2.0 - dark_begins_s) / 3600.0
    story = live(tmp_path / "second", demo(targets=SUBS, guide_s=SELDOM_S), hours=hours)
    assert story.at(e.SubBegun)[-1] + 60.0 == closes_s
    assert not story.of(e.SubCancelled)
    assert len(story.of(e.FrameAccepted)) == len(story.of(e.SubBegun))
