"""Short nights with rigs unlike the demo's; tests/benchmarks/rigs.py has all, for longer."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from night.nights import NIGHT, live
from night.odd_rigs import Outcome, named, night_with
from nightloom.telemetry import events as e

PLAIN = {"cooled": False, "gain": None, "offset": None}

SHORT_SUBS_S = {"L": 40.0, "R": 40.0, "G": 40.0}


@pytest.fixture(scope="module")
def off(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """Offsets of R and G that are wrong by 60 steps, nearly two critical focus zones; and a camera
    that is neither cooled nor has its gain and offset set.
    """
    rig = replace(
        named("offsets wrong by 60 steps"), hours=0.3, subs_s=SHORT_SUBS_S, said={"camera": PLAIN}
    )
    return night_with(rig, tmp_path_factory.mktemp("off"))


def test_a_wrong_offset_costs_no_more_than_two_subs_of_its_filter(off: Outcome) -> None:
    assert off.story.played.violations == []
    for name in "RG":
        assert len([sub for sub in off.refused if sub.filter == name]) <= 2
        assert len([sub for sub in off.kept if sub.filter == name]) >= 3
    assert max(off.growths) < 0.1
    assert off.sharp_refused == []


def test_a_camera_that_is_not_cooled_is_neither_cooled_nor_warmed(off: Outcome) -> None:
    assert not [*off.story.of(e.SensorCooled), *off.story.of(e.SensorWarmed)]
    assert not off.story.of(e.DeviceTrouble)


def test_it_is_measured_and_told(off: Outcome) -> None:
    true = {one.name: one.focus_offset_steps for one in off.story.rehearsal.rig.wheel.filters}
    corrected = off.story.of(e.OffsetCorrected)
    assert sorted(one.filter for one in corrected) == ["G", "R"]
    for one in corrected:
        assert one.after_steps == pytest.approx(true[one.filter] - true["L"], abs=8)
        assert abs(one.before_steps - one.after_steps) > 50


def test_the_next_night_begins_with_it(off: Outcome) -> None:
    rehearsal = off.story.rehearsal
    story = live(
        rehearsal.out,
        (rehearsal.settings, rehearsal.rig),
        hours=0.3,
        night=NIGHT + timedelta(days=1),
    )
    (adopted,) = story.of(e.OffsetsAdopted)
    assert {"R", "G"} <= set(adopted.offsets_steps)
    assert story.of(e.OffsetCorrected) == []
    assert max(sub.defocus_growth for sub in story.played.subs) < 0.15


@pytest.mark.long
def test_play_of_twenty_zones_that_nobody_knew_of_is_found_by_the_first_curve(
    tmp_path: Path,
) -> None:
    """700 steps, none of them configured."""
    rig = replace(named("backlash 700, 0 configured"), hours=0.3, subs_s=SHORT_SUBS_S)
    one = night_with(rig, tmp_path)
    assert one.story.played.violations == []
    (found,) = one.story.of(e.BacklashFound)
    assert found.found_steps == pytest.approx(700, abs=35)
    assert len(one.kept) >= 6
    assert one.refused == []
    assert max(one.growths) < 0.1
