"""Trouble by name: each runs on a short night, leaves the observer content, and replays."""

from itertools import pairwise
from pathlib import Path

import pytest

from night.nights import NIGHT, SELDOM_S, demo
from nightloom.errors import FramesNotKept
from nightloom.rehearsal import TROUBLES, Played, Rehearsal, Trouble, play_virtually
from nightloom.sky import Interval
from nightloom.telemetry import Event
from nightloom.telemetry import events as e

BY_NAME = {trouble.name: trouble for trouble in TROUBLES}


def night(out: Path, *names: str, hours: float = 0.5, seed: int = 7) -> tuple[Played, list[Event]]:
    """A short night with these troubles, and what it said."""
    out.mkdir(exist_ok=True)
    settings, rig = demo(targets=dict.fromkeys("LR", 30.0), guide_s=SELDOM_S)
    troubles = tuple(BY_NAME[name] for name in names)
    frames = any(trouble.needs_frames for trouble in troubles)
    rehearsal = Rehearsal(settings, rig, NIGHT, out, seed, hours, frames=frames, troubles=troubles)
    said: list[Event] = []
    played = play_virtually(rehearsal, lambda _: (lambda _, event: said.append(event),))
    return played, said


QUICK = {"rain"}
"""What shows that trouble comes by its name, each day; the others take minutes together."""


@pytest.mark.parametrize(
    "trouble",
    [
        pytest.param(one, marks=() if one.name in QUICK else pytest.mark.long, id=one.name)
        for one in TROUBLES
    ],
)
def test_each_leaves_the_observer_content(tmp_path: Path, trouble: Trouble) -> None:
    played, said = night(tmp_path, trouble.name)
    assert played.violations == []
    mistakes = [one for one in said if isinstance(one, e.UnexpectedError)]
    assert [one.kind for one in mistakes] == (
        ["FramesNotKept"] if trouble.name == "disk-full" else []
    )
    assert isinstance(said[-1], e.NightEnded)
    assert isinstance(played.unkept, FramesNotKept) == (trouble.name == "disk-full")


def test_a_disk_that_fills_is_said_before_and_keeps_every_frame(tmp_path: Path) -> None:
    played, said = night(tmp_path, "disk-full")
    filling = next(one for one in said if isinstance(one, e.DiskFilling))
    assert filling.frames_left <= 3
    after = said[said.index(filling) :]
    assert sum(isinstance(one, e.FrameAccepted) for one in after) >= 2
    assert [one for one in said if isinstance(one, e.FrameLost)] == []
    assert "has no room for another frame" in str(played.unkept)


@pytest.mark.long
def test_a_ledger_that_another_process_holds_costs_that_minute(tmp_path: Path) -> None:
    played, said = night(tmp_path, "ledger-locked")
    begun_s = sorted(sub.start_s for sub in played.subs)
    gaps_s = [later - earlier for earlier, later in pairwise(begun_s)]
    assert 60.0 < max(gaps_s) < 300.0
    assert not any(isinstance(one, e.UnexpectedError) for one in said)


@pytest.mark.long
def test_several_come_at_once_and_a_seed_replays_them(tmp_path: Path) -> None:
    names = ("mount-restarts", "focuser-unreadable", "ledger-locked", "wind")
    stories = [night(tmp_path / where, *names, hours=0.4) for where in ("a", "b")]
    first, second = ([type(one) for one in said] for _, said in stories)
    assert first == second
    assert stories[0][0].violations == []


def test_the_moment_is_the_seeds_and_in_the_dark() -> None:
    dark = Interval(1_000_000.0, 1_010_000.0)
    moments = {BY_NAME["rain"].comes_s(dark, 990_000.0, seed) for seed in range(50)}
    assert len(moments) == 50
    assert all(1_002_000.0 <= at_s <= 1_005_000.0 for at_s in moments)
    assert BY_NAME["mount-late"].comes_s(dark, 990_000.0, 7) == 990_000.0


def test_names_are_each_one_and_there_are_enough() -> None:
    assert len(BY_NAME) == len(TROUBLES) >= 15
