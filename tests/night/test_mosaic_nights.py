"""A mosaic's night: three panels, short subs, a limit; by the observer and what is on disk."""

from dataclasses import replace
from itertools import pairwise

import pytest
from astropy.io import fits

from night.nights import SELDOM_S, Story, demo, live
from nightloom.settings import AskedSub, panels_of
from nightloom.settings.mosaic import Mosaic
from nightloom.sky import separation_deg
from nightloom.telemetry import events as e
from nightloom_drivers.sent import Sent

SUB_S, VISIT_S, R_S = 20.0, 110.0, 130.0
"""A cycle is an L and an R of 20 s; a visit, three of them: 120 s."""


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Story:
    roomy = {"dither": {"exposed_s_per_pointing": 3 * SUB_S}}
    settings, rig = demo(guide_s=SELDOM_S, policies=roomy)
    grid = Mosaic(columns=3, field_width_deg=0.4, field_height_deg=0.3, visit_s=VISIT_S)
    filters = {
        "L": AskedSub(exposure_s=SUB_S),
        "R": AskedSub(exposure_s=SUB_S, maximum_hours=R_S / 3600.0),
    }
    asked = settings.targets.targets[0].model_copy(update={"mosaic": grid, "filters": filters})
    panels = panels_of(asked, settings.observatory)
    settings = replace(settings, targets=settings.targets.model_copy(update={"targets": panels}))
    out = tmp_path_factory.mktemp("mosaic")
    return live(out, (settings, rig), hours=0.4, frames=True, sent=Sent.STARS)


def test_every_promise_is_kept(story: Story) -> None:
    assert story.played.violations == []


def test_panels_are_taken_in_turn_and_evenly(story: Story) -> None:
    """No panel is ever further ahead of another than a visit, counted from the ledger's frames."""
    had_s = dict.fromkeys(range(1, 4), 0.0)
    for frame in story.frames:
        assert (frame.mosaic, frame.target) == ("NGC 891", f"NGC 891 panel {frame.panel}")
        had_s[frame.panel] += frame.exposure_s
        assert max(had_s.values()) - min(had_s.values()) <= 3 * 2 * SUB_S
    assert min(had_s.values()) > 0.0


def test_each_panel_is_centred_where_it_lies(story: Story) -> None:
    panels = story.rehearsal.settings.targets.targets
    centred = [event.target for event in story.of(e.Centred)]
    assert set(centred) == {one.name for one in panels}
    for first, second in pairwise(panels):
        apart_deg = separation_deg(first.ra_deg, first.dec_deg, second.ra_deg, second.dec_deg)
        assert float(apart_deg) == pytest.approx(0.34, abs=1e-4)


def test_the_headers_name_mosaic_and_panel(story: Story) -> None:
    frames = story.rehearsal.out / "frames"
    for frame in (story.frames[0], story.frames[-1]):
        header = fits.getheader(frames / frame.path)
        assert (header["MOSAIC"], header["PANEL"]) == ("NGC 891", frame.panel)
        assert header["OBJECT"] == frame.target


def test_a_filter_of_all_panels_together_keeps_to_its_hours_of_a_night(story: Story) -> None:
    exposed_s = sum(one.exposure_s for one in story.frames if one.filter == "R")
    assert R_S <= exposed_s < R_S + SUB_S


def test_three_short_subs_of_a_filter_share_a_pointing(story: Story) -> None:
    pointings: dict[tuple[int, int, str], int] = {}
    for one in story.frames:
        key = one.panel, one.pointing, one.filter
        pointings[key] = pointings.get(key, 0) + 1
    assert max(pointings.values()) == 3
    assert sum(pointings.values()) / len(pointings) > 1.5
