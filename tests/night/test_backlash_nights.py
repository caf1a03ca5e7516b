"""Backlash that the settings do not know: found by the frame after the curve, and taken up."""

from datetime import timedelta
from pathlib import Path

import pytest

from night.nights import NIGHT, Story, demo, live
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.settings import Settings
from nightloom.telemetry import events as e
from nightloom_drivers.rig_settings import RigSettings

SHORT = {"L": 40.0, "R": 40.0}


def played(true_steps: int, known_steps: int) -> tuple[Settings, RigSettings]:
    """The demo with gears that have some play, and settings that say another."""
    settings, rig = demo(targets=SHORT)
    focuser = rig.focuser.model_copy(update={"backlash_steps": true_steps})
    said = settings.observatory.focuser.model_copy(update={"backlash_steps": known_steps})
    observatory = settings.observatory.model_copy(update={"focuser": said})
    rig = rig.model_copy(update={"focuser": focuser})
    return Settings(observatory, settings.targets, settings.policies, rig), rig


def in_focus(story: Story) -> bool:
    """Whether every sub was in focus in truth: defocus widens stars by less than a tenth."""
    assert story.played.violations == []
    assert story.played.subs
    return max(sub.defocus_growth for sub in story.played.subs) < 0.1


@pytest.fixture(scope="module")
def unknown(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """200 steps of play, none of it configured."""
    return live(tmp_path_factory.mktemp("unknown"), played(200, 0), hours=0.25)


def test_a_night_with_backlash_that_nobody_configured_is_sharp(unknown: Story) -> None:
    assert in_focus(unknown)
    (found,) = unknown.of(e.BacklashFound)
    assert found.configured_steps == 0
    assert found.found_steps == pytest.approx(200, abs=10)
    assert unknown.of(e.FocusUnconfirmed) == []


def test_the_ledger_keeps_what_was_measured(unknown: Story) -> None:
    with Ledger.read(unknown.rehearsal.out / FILE_NAME) as ledger:
        kept = ledger.backlash()
    assert kept is not None
    assert (kept.night, kept.known_steps) == ("2026-11-10", 0)
    assert kept.found_steps == pytest.approx(200, abs=10)


@pytest.mark.long
def test_the_next_night_begins_with_it(unknown: Story) -> None:
    """Its first curve is confirmed; nothing is measured again."""
    out, changed = unknown.rehearsal.out, played(200, 0)
    story = live(out, changed, hours=0.25, night=NIGHT + timedelta(days=1))
    assert in_focus(story)
    (recalled,) = story.of(e.BacklashRecalled)
    assert recalled.night == "2026-11-10"
    assert recalled.steps == pytest.approx(200, abs=10)
    assert story.of(e.BacklashFound) == []
    assert [curve.accepted for curve in story.of(e.FocusCurve)] == [True]


@pytest.mark.long
def test_half_of_the_backlash_configured_is_too_little_and_is_found(tmp_path: Path) -> None:
    story = live(tmp_path, played(200, 100), hours=1.0)
    assert in_focus(story)
    (found,) = story.of(e.BacklashFound)
    assert found.configured_steps == 100
    assert found.found_steps == pytest.approx(200, abs=10)


@pytest.mark.long
def test_more_configured_than_there_is_does_no_harm(tmp_path: Path) -> None:
    story = live(tmp_path, played(0, 200), hours=1.0)
    assert in_focus(story)
    assert story.of(e.BacklashFound) + story.of(e.FocusUnconfirmed) == []
