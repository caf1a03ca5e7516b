"""Nights of broken cloud on the simulated rig, judged by its sky.

`benchmarks/broken_cloud.py` plays more and longer ones.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from clouds.broken import FILTERS, Outcome, play
from night.nights import SELDOM_S, Story, demo, live
from night.test_meridian import through_the_meridian
from nightloom.telemetry import events as e

MOONRISE = date(2026, 11, 27)
"""The Moon, three days past full, rises in the first hours of the dark."""


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Sequence[Outcome]:
    """Two nights of seeds that nobody chose for what they show."""
    return [play(tmp_path_factory.mktemp("broken"), seed, hours=1.2) for seed in (41, 44)]


def test_what_cloud_dims_by_a_third_of_a_magnitude_is_not_kept(broken: Sequence[Outcome]) -> None:
    clouded = [shot for one in broken for shot in one.clouded]
    assert len(clouded) > 5
    assert sum(shot.fate == "accepted" for shot in clouded) <= 0.02 * len(clouded)


def test_no_clear_sub_is_lost_and_nothing_else_is_broken(broken: Sequence[Outcome]) -> None:
    assert sum(len(one.clear) for one in broken) > 40
    assert [shot for one in broken for shot in one.wronged] == []
    assert [seen for one in broken for seen in one.violations] == []


def test_the_next_sub_begins_soon_after_the_sky_has_cleared(broken: Sequence[Outcome]) -> None:
    waits_s = [wait_s for one in broken for wait_s in one.waits_s]
    assert len(waits_s) >= 3
    assert sorted(waits_s)[len(waits_s) // 2] <= 60.0
    assert max(waits_s) <= 90.0


def test_little_of_the_usable_sky_is_wasted(broken: Sequence[Outcome]) -> None:
    """Against perfect knowledge of the clouds; two short nights scatter by some percent."""
    for one in broken:
        assert sum(one.lost_s.values()) == pytest.approx(one.possible_s - one.usable_s)
        assert one.possible_s <= one.unfocused_s
    usable_s, possible_s = (
        sum(getattr(one, name) for one in broken) for name in ("usable_s", "possible_s")
    )
    assert usable_s > 0.9 * possible_s


def bank(begin_h: float, for_h: float, depth_mag: float) -> dict[str, Any]:
    return {
        "begin_h_after_dusk": begin_h,
        "duration_h": for_h,
        "depth_mag": depth_mag,
        "contrast": 0.0,
    }


def under(
    out: Path,
    *banks: dict[str, Any],
    hours: float = 1.0,
    **clouds: Any,
) -> Story:
    """A night under so many banks of cloud; with settings of its own for them, few guide frames."""
    guide_s = SELDOM_S if clouds else None
    changed = demo(
        targets=FILTERS, weather={"clouds": banks}, policies={"clouds": clouds}, guide_s=guide_s
    )
    return live(out, changed, hours=hours)


@pytest.mark.parametrize(
    "depth_mag", [pytest.param(1.0, marks=pytest.mark.long), 6.0], ids=["thin", "all stars lost"]
)
def test_after_a_cloud_the_same_stars_go_on(tmp_path: Path, depth_mag: float) -> None:
    """No slew, no solve, no new guide stars, no look at the focus: nothing but the cloud came."""
    story = under(tmp_path, bank(0.2, 0.15, depth_mag), hours=0.5)
    (held,) = story.at(e.CloudHold)
    after = min(at for at in story.at(e.SubBegun) if at > held)
    between = {event.name() for utc, event in story.events if held < utc.timestamp() < after}
    assert between.isdisjoint({"slewed", "solved", "stars_held", "stars_released", "focus_curve"})
    assert story.of(e.CloudHold)[0].cause == "cloud"
    assert story.played.violations == []


def test_moonrise_and_twilight_are_never_called_cloud(tmp_path: Path) -> None:
    changed = demo(
        targets=dict.fromkeys(FILTERS, 120.0),
        policies={"dark": {"sun_altitude_deg": -13.0}},
        guide_s=SELDOM_S,
    )
    story = live(tmp_path, changed, hours=1.5, night=MOONRISE)
    assert story.of(e.FrameRejected) == story.of(e.CloudHold) == []
    assert max(frame.background_adu or 0.0 for frame in story.frames) > 1.5 * min(
        frame.background_adu or 0.0 for frame in story.frames
    )
    assert {one.cause for one in story.of(e.SkyChanged)} <= {"twilight", "moonlight", "clear"}


def test_a_cloud_that_stays_ends_the_night_where_that_is_asked(tmp_path: Path) -> None:
    story = under(tmp_path, bank(0.15, 3.0, 3.0), hours=0.5, end_night_after_s=600.0)
    (held,) = story.at(e.CloudHold)
    closed = [at for at in story.at(e.RoofClosed) if at > held]
    assert 600.0 <= closed[0] - held < 900.0
    assert story.played.violations == []


def test_another_target_is_tried_where_that_is_asked(tmp_path: Path) -> None:
    settings, simulated = demo(
        targets=FILTERS,
        weather={"clouds": (bank(0.15, 0.25, 3.0),)},
        policies={
            "clouds": {"change_target_after_s": 600.0},
        },
        guide_s=SELDOM_S,
    )
    (first,) = settings.targets.targets
    second = first.model_copy(
        update={"name": "beside", "ra_deg": first.ra_deg + 20.0, "priority": 9}
    )
    both = settings.targets.model_copy(update={"targets": (first, second)})
    story = live(tmp_path, (replace(settings, targets=both), simulated), hours=0.5)
    (held, *_) = story.at(e.CloudHold)
    chosen = [
        (utc.timestamp() - held, event.target)
        for utc, event in story.events
        if isinstance(event, e.TargetChosen) and utc.timestamp() > held
    ]
    assert chosen[0][1] == "beside"
    assert 600.0 <= chosen[0][0] < 700.0


def test_a_long_cloud_has_the_target_centred_anew(tmp_path: Path) -> None:
    story = under(tmp_path, bank(0.15, 0.25, 3.0), hours=0.6, recentre_after_s=600.0)
    (held,) = story.at(e.CloudHold)
    assert [at for at in story.at(e.Centred) if at > held]
    assert [at for at in story.at(e.SubBegun) if at > held]
    assert story.played.violations == []


@pytest.mark.long
def test_steady_haze_is_lived_with_after_a_while(tmp_path: Path) -> None:
    """0.4 mag that stay: held at first, then taken as the sky of the night."""
    story = under(tmp_path, bank(0.2, 5.0, 0.34), hours=0.8, recentre_after_s=600.0)
    held = story.at(e.CloudHold)
    assert held, "0.4 mag are cut"
    assert [at for at in story.at(e.SubBegun) if at > held[0] + 600.0]


def test_the_light_of_the_west_is_the_standard_in_the_east(tmp_path: Path) -> None:
    """Across the meridian the stars are matched on their heads, and a cloud that comes with the
    crossing, before which new guide stars are chosen, is seen all the same.
    """
    cloud = bank(0.28, 0.6, 0.36)
    story = through_the_meridian(
        tmp_path, before_h=0.12, hours=0.5, weather={"clouds": (cloud,)}, guide_s=None
    )
    (crossed,) = story.at(e.Crossed)
    judged = (*story.of(e.FrameAccepted), *story.of(e.FrameRejected))
    begun_s = dict(
        zip((one.uid for one in story.of(e.SubBegun)), story.at(e.SubBegun), strict=True)
    )
    east = [one for one in judged if begun_s[one.uid] > crossed]
    assert len(east) > 3
    assert all(one.guide_transparency > 0.9 for one in east), "to them the cloud is the standard"
    assert all(one.transparency == pytest.approx(0.71, abs=0.05) for one in east)
    assert {type(one) for one in east} == {e.FrameRejected}
    assert story.played.violations == []


def test_a_night_that_never_clears_ends_though_no_guide_star_was_ever_held(tmp_path: Path) -> None:
    story = under(tmp_path, bank(-2.0, 5.0, 8.0), hours=1.0, end_night_after_s=900.0)
    assert story.of(e.StarsHeld) == []
    first = next(at for at, one in _moves(story) if one.after == "holding")
    retiring = next(at for at, one in _moves(story) if one.after == "retiring")
    assert 900.0 <= retiring - first < 1400.0
    assert {one.cause for one in story.of(e.PointingFailed)} == {"unknown"}
    assert story.played.violations == []


def _moves(story: Story) -> list[tuple[float, e.PhaseChanged]]:
    return list(zip(story.at(e.PhaseChanged), story.of(e.PhaseChanged), strict=True))
