"""What happens under the download of a frame."""

from pathlib import Path

from night.nights import demo, live
from nightloom.telemetry import events as e


def test_dithers_and_filter_changes_begin_while_the_camera_downloads(tmp_path: Path) -> None:
    """Within a tenth of the download, which takes 1.2 s; nothing waits for the frame."""
    no_looks = {"focus": {"false_alarms_per_night": 1e-9}}
    changed = demo(targets={"R": 60.0, "G": 60.0}, policies=no_looks)
    story = live(tmp_path, changed, hours=0.26)
    ended = [
        (at_s - event.download_s, at_s)
        for at_s, event in zip(story.at(e.SubEnded), story.of(e.SubEnded), strict=True)
    ]
    first_s = story.at(e.SubBegun)[0]
    dithers = zip(story.at(e.Dithered), story.of(e.Dithered), strict=True)
    changes = zip(story.at(e.FilterChanged), story.of(e.FilterChanged), strict=True)
    begun = {
        "dithers": [at_s - event.settle_s for at_s, event in dithers if at_s > first_s],
        "changes": [at_s - event.took_s for at_s, event in changes if at_s > first_s],
    }
    assert min(len(times) for times in begun.values()) >= 5
    for name, times in begun.items():
        for begun_s in times:
            closed_s, downloaded_s = max(one for one in ended if one[0] <= begun_s + 1e-3)
            assert begun_s < closed_s + 0.1 * (downloaded_s - closed_s), name
