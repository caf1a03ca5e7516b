"""Targets that go on from earlier nights, and what a night learns about its rig."""

from collections import Counter
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from night.nights import Story, demo, live
from nightloom.ledger import FILE_NAME, Frame, Ledger, Verdict
from nightloom.night.rotation import turn_deg
from nightloom.telemetry import events as e

SHORT = {"R": 60.0, "G": 60.0, "B": 60.0}


def imaged_before(out: Path, counts: dict[str, int], rotation_deg: float | None = None) -> None:
    """Put accepted minutes of an earlier night into the ledger of a night to come."""
    out.mkdir(parents=True, exist_ok=True)
    begin = datetime.fromisoformat("2026-11-09T20:00:00+00:00")
    names = list(Counter(counts).elements())
    with Ledger(out / FILE_NAME) as ledger:
        for number, name in enumerate(names):
            ledger.add_frame(
                Frame(
                    uid=f"2026-11-09-{number:04d}",
                    night="2026-11-09",
                    target="NGC 891",
                    filter=name,
                    exposure_s=60.0,
                    start_utc=begin + timedelta(minutes=number),
                    path="",
                    sha256="",
                    verdict=Verdict.ACCEPTED,
                    reason="",
                    pointing=1,
                    rotation_deg=rotation_deg,
                )
            )


def durations_of(story: Story) -> Counter[str]:
    with Ledger.read(story.rehearsal.out / FILE_NAME) as ledger:
        return Counter(one.kind.value for one in ledger.durations(latest=1000))


@pytest.fixture(scope="module")
def turned(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """A night on a target whose camera stood otherwise, and which has far less of one filter."""
    out = tmp_path_factory.mktemp("turned")
    imaged_before(out, {"R": 30, "G": 30, "B": 2}, rotation_deg=57.0)
    return live(out, demo(targets=SHORT), hours=0.4)


def test_a_turned_camera_is_warned_of_once(turned: Story) -> None:
    (warning,) = turned.of(e.RotationDiffers)
    (solved, *_) = turned.of(e.Solved)
    assert (warning.target, warning.night, warning.was_deg) == ("NGC 891", "2026-11-09", 57.0)
    assert warning.rotation_deg == pytest.approx(solved.rotation_deg, abs=0.1)
    assert warning.level == "warning"


def test_frames_carry_their_rotation_into_the_ledger(turned: Story) -> None:
    (solved, *_) = turned.of(e.Solved)
    assert all(
        frame.rotation_deg == pytest.approx(solved.rotation_deg, abs=0.1) for frame in turned.frames
    )


def test_a_filter_far_behind_is_caught_up_beside_the_others(turned: Story) -> None:
    """B lacks 28 minutes: it gets its share twice, and the others go on."""
    names = "".join(begun.filter for begun in turned.of(e.SubBegun))
    assert "BBB" not in names
    assert names.count("B") == pytest.approx(len(names) / 2, abs=2)
    assert min(names.count("R"), names.count("G")) >= len(names) / 4 - 1
    assert "far from the shares" in turned.of(e.SubBegun)[0].reason


def test_no_two_subs_of_one_filter_at_one_pointing_while_catching_up(turned: Story) -> None:
    assert not [one for one in turned.played.violations if "where one was taken" in one]


def test_a_night_keeps_how_long_things_took(turned: Story) -> None:
    changes = [event for event in turned.of(e.FilterChanged) if event.before != event.after]
    assert durations_of(turned) == {
        "download": len(turned.of(e.SubEnded)),
        "dither": len(turned.of(e.Dithered)),
        "change": len([event for event in changes if event.before]),
    }


def test_a_camera_that_stayed_is_not_mentioned(tmp_path: Path, turned: Story) -> None:
    """Nor is one that was turned by half a turn, as the other side of the pier turns it."""
    (solved, *_) = turned.of(e.Solved)
    imaged_before(tmp_path, {"R": 3, "G": 3, "B": 3}, (solved.rotation_deg + 180.5) % 360)
    story = live(tmp_path, demo(targets=SHORT), hours=0.1)
    assert not story.of(e.RotationDiffers)


@pytest.mark.parametrize(
    ("one", "other", "turn"),
    [(10, 10, 0), (359, 1, 2), (190, 10, 0), (0, 90, 90), (45, 315, 90), (100, 275, 5)],
)
def test_the_turn_between_two_orientations(one: float, other: float, turn: float) -> None:
    assert turn_deg(one, other) == turn_deg(other, one) == pytest.approx(turn)


@pytest.mark.long
def test_a_night_with_an_hour_of_cloud_stays_even(tmp_path: Path) -> None:
    """An hour of cloud in an interleaved run costs every filter alike (common practice)."""
    cloud = {"begin_h_after_dusk": 0.3, "duration_h": 1.0, "depth_mag": 4.0, "contrast": 0.1}
    story = live(tmp_path, demo(targets=SHORT, weather={"clouds": (cloud,)}), hours=1.7)
    assert story.played.violations == []
    assert story.played.unevenness <= 1.0
    accepted_s = story.played.summary.accepted_s
    assert set(accepted_s) == set(SHORT)
    assert max(accepted_s.values()) - min(accepted_s.values()) <= 60.0
