"""A clear sky is no cloud: not in twilight, and not where a frame shows half as many stars."""

from datetime import date
from pathlib import Path

import pytest

from clouds.test_light_of_a_night import frame, night
from night.nights import Story, demo, live
from nightloom.rehearsal import Rehearsal, play_virtually
from nightloom.rig import simulated_settings
from nightloom.settings import demo_folder, read_settings
from nightloom.telemetry import Event
from nightloom.telemetry import events as e

SUN_DEG = -7.0
FILTERS = {"L": 60.0, "R": 60.0, "Ha": 60.0}


@pytest.fixture(scope="module")
def twilight(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """A clear evening whose subs begin while the Sun is 7° down."""
    changed = demo(targets=FILTERS, policies={"dark": {"sun_altitude_deg": SUN_DEG}})
    return live(tmp_path_factory.mktemp("twilight"), changed, hours=0.4)


def test_twilight_refuses_no_frame_and_holds_nothing(twilight: Story) -> None:
    assert twilight.played.violations == []
    accepted = twilight.of(e.FrameAccepted)
    assert len(accepted) >= 8
    levels = [one.background_adu for one in accepted if one.filter == "L"]
    assert max(levels) > 1.5 * min(levels), "the sky darkens while they are taken"
    assert twilight.of(e.FrameRejected) == twilight.of(e.FrameTakenBack) == []
    assert twilight.of(e.CloudHold) == []
    for one in accepted:
        assert one.transparency is None or one.transparency > 0.9


def test_half_as_many_stars_with_all_their_light_are_no_cloud() -> None:
    """By their number alone the sky would be at 0.46, as 0.46 to the power of 0.75 is 0.56."""
    few = frame(1.0, guide=0.99, star_count=67)
    _, verdicts = night(*[frame(1.0, guide=1.0)] * 6, few)
    assert verdicts[-1].accepted
    assert verdicts[-1].transparency == pytest.approx(1.0, abs=0.02)


@pytest.mark.long
def test_a_whole_clear_night_refuses_nothing(tmp_path: Path) -> None:
    """The demo on 2026-11-28, seed 3: at 23:46 a frame was once said to be at 0.46 of clear, while
    the guide stars were at 0.99.
    """
    settings, simulated = simulated_settings(read_settings(demo_folder()))
    rehearsal = Rehearsal(settings, simulated, date(2026, 11, 28), tmp_path, 3, None, False)
    heard: list[Event] = []
    play_virtually(rehearsal, lambda _: (lambda _, event: heard.append(event),))
    accepted = [event for event in heard if isinstance(event, e.FrameAccepted)]
    assert len(accepted) > 250
    assert not [event for event in heard if isinstance(event, e.FrameRejected)]
    assert min(one.transparency or 1.0 for one in accepted) > 0.9
