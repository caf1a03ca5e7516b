"""Where a target stands on the sensor, over nights and restarts: never twice in the same place."""

import shutil
from dataclasses import replace
from pathlib import Path
from statistics import median

import numpy as np
import pytest
from scipy.spatial.distance import cdist, pdist

from night.nights import NIGHT, SELDOM_S, Story, demo, live
from nightloom.guiding.dither import SAME_PX
from nightloom.ledger import FILE_NAME, Ledger, Place
from nightloom.telemetry import events as e

SHORT = {"R": 30.0, "G": 30.0, "B": 30.0}
CHANGED = demo(targets=SHORT, guide_s=SELDOM_S)
HOURS = 0.27


def places_of(story: Story, night: str = str(NIGHT)) -> list[Place]:
    with Ledger.read(story.rehearsal.out / FILE_NAME) as ledger:
        return [place for place in ledger.places("NGC 891") if place.night == night]


def offsets(places: list[Place]) -> np.ndarray:
    return np.array([(place.x_px, place.y_px) for place in places])


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Story:
    return live(tmp_path_factory.mktemp("first"), CHANGED, hours=HOURS)


@pytest.fixture
def after(first: Story, tmp_path: Path) -> Path:
    """A folder that was left by the first evening."""
    return Path(shutil.copytree(first.rehearsal.out, tmp_path / "out"))


def test_every_frame_belongs_to_a_place_in_the_ledger(first: Story) -> None:
    numbers = {place.number for place in places_of(first)}
    assert numbers == set(range(1, len(numbers) + 1))
    assert {frame.pointing for frame in first.frames} <= numbers
    assert len(numbers) >= 6
    assert len(first.of(e.Dithered)) == len(numbers) - 1


def test_another_night_uses_other_places(tmp_path: Path, first: Story) -> None:
    """The same sky once more, by a ledger in which its places are those of the night before."""
    earlier = [replace(place, night="2026-11-09") for place in places_of(first)]
    with Ledger(tmp_path / FILE_NAME) as ledger:
        for place in earlier:
            ledger.add_place(place)
    story = live(tmp_path, CHANGED, hours=HOURS)
    here = offsets(places_of(story))
    used = offsets([p for p in places_of(story) if p.number in {f.pointing for f in story.frames}])
    least_px = story.rehearsal.settings.policies.dither.minimum_step_px
    assert pdist(used).min() >= least_px
    assert cdist(used, offsets(earlier)).min() >= SAME_PX
    assert len(here) >= 6


def test_a_restart_in_the_night_goes_on_from_its_places(first: Story, after: Path) -> None:
    """The same evening twice, into one ledger. The second finds the focus in the first one's looks,
    which are of its own evening and hence fresh: no curve is taken, and the stars are as small.
    """
    before, story = first, live(after, CHANGED, hours=HOURS)
    places = places_of(story)
    assert [place.number for place in places] == list(range(1, len(places) + 1))
    used = {frame.pointing for frame in story.frames}
    least_px = story.rehearsal.settings.policies.dither.minimum_step_px
    assert pdist(offsets([place for place in places if place.number in used])).min() >= least_px
    assert (len(before.of(e.FocusCurve)), len(story.of(e.FocusCurve))) == (1, 0)
    (recalled,) = story.of(e.FocusRecalled)
    vertex = before.of(e.FocusCurve)[0].vertex_steps
    assert recalled.position_steps == pytest.approx(vertex, abs=5.0)
    sharp = [
        median(frame.half_flux_radius_px for frame in one.of(e.FrameAccepted))
        for one in (before, story)
    ]
    assert sharp[1] < 1.05 * sharp[0]


def test_a_focus_that_moved_over_a_restart_is_found_again(after: Path) -> None:
    """Somebody took the camera off meanwhile: nothing can be solved where the focus was."""
    settings, rig = CHANGED
    focus = rig.focus.model_copy(update={"base_steps": rig.focus.base_steps + 2500})
    moved = rig.model_copy(update={"focus": focus})
    story = live(after, (replace(settings, rig=moved), moved), hours=HOURS)
    curve = story.of(e.FocusCurve)[0]
    assert curve.reason.startswith("nothing could be solved")
    assert curve.accepted
    assert story.of(e.FrameAccepted)
