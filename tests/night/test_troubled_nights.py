"""Everyday trouble: a few nights of tests/benchmarks/troubled_nights.py, and rejected subs."""

import asyncio
from pathlib import Path

import pytest

from night.nights import SELDOM_S, demo, live
from night.troubles import DUSK_S, complaints, gust, troubled_night
from nightloom.rig import SimulatedRig
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock


@pytest.mark.parametrize("seed", [1, *(pytest.param(n, marks=pytest.mark.long) for n in (2, 3))])
def test_everyday_trouble_does_not_end_a_night(tmp_path: Path, seed: int) -> None:
    """A lost guide star, a gust, a refused pulse and a stuck slew, at moments of the seed."""
    _, story = troubled_night(tmp_path, seed, hours=0.7)
    assert complaints(story) == []
    assert [one for one in story.of(e.DeviceTrouble) if one.device == "Rig Mount"]


def test_a_sub_that_was_knocked_about_is_rejected_and_made_up(tmp_path: Path) -> None:
    """Wind shakes the telescope through one sub; the filter gets another one for it."""

    async def blow(rig: SimulatedRig, clock: Clock) -> None:
        for number in range(4):
            await gust(rig, clock, DUSK_S + 600.0 if number == 0 else 2.0)

    frames = {"maximum_guide_rms_arcsec": 1.5}
    changed = demo(targets=dict.fromkeys("RGB", 60.0), policies={"frames": frames})
    story = live(tmp_path, changed, hours=0.4, meddler=blow)
    assert story.played.violations == []
    rejected = story.of(e.FrameRejected)
    assert rejected
    assert any("guide error" in one.reason for one in rejected)
    accepted_s = story.played.summary.accepted_s
    assert max(accepted_s.values()) - min(accepted_s.values()) <= 60.0


def test_a_sub_out_of_focus_is_rejected_for_its_star_size(tmp_path: Path) -> None:
    """Somebody bumps the focuser in the middle of a sub; at the next change it is put right."""

    async def bump(rig: SimulatedRig, clock: Clock) -> None:
        await asyncio.sleep(DUSK_S + 700.0)
        rig.link.set("Rig Focuser", "ABS_FOCUS_POSITION", {"FOCUS_ABSOLUTE_POSITION": 10_300.0})

    changed = demo(targets=dict.fromkeys("RGB", 60.0), guide_s=SELDOM_S)
    story = live(tmp_path, changed, hours=0.4, meddler=bump)
    (rejected,) = story.of(e.FrameRejected)
    assert "larger than in focus under this air" in rejected.reason
    accepted_s = story.played.summary.accepted_s
    assert max(accepted_s.values()) - min(accepted_s.values()) <= 60.0


def test_stars_drawn_out_are_a_reason_too(tmp_path: Path) -> None:
    changed = demo(
        targets=dict.fromkeys("RGB", 30.0),
        policies={"frames": {"maximum_ellipticity": 0.001}},
        guide_s=SELDOM_S,
    )
    story = live(tmp_path, changed, hours=0.26)
    assert story.frames
    assert all("ellipticity" in frame.reason for frame in story.frames)
