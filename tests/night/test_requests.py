"""What a person asks of a night is in force within a second, whatever goes on."""

import asyncio
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from night.asking import EFFECTIVE_S, Person, asked_night
from night.nights import Story
from night.troubles import DUSK_S
from nightloom.night.interrupts import LAST_SUB_S
from nightloom.requests import Done, Pause, Resume, Retire, Skip
from nightloom.telemetry import events as e

OPEN = {"readying", "acquiring", "gathering", "crossing", "holding"}
WITH_TARGET = OPEN - {"readying"}


async def paused(person: Person, for_s: float) -> None:
    """Ask for a pause, and see that nothing is exposed or moved while it lasts."""
    assert isinstance(person.ask(Pause()), Done)
    await asyncio.sleep(EFFECTIVE_S)
    assert person.account.phase == "pausing"
    at_s = person.now_s
    assert not person.shutter_is_open
    assert not person.slews
    assert not person.tracks
    await asyncio.sleep(for_s)
    assert person.moved_since(at_s) == []
    assert not person.tracks


async def resumed(person: Person) -> None:
    assert isinstance(person.ask(Resume()), Done)
    await asyncio.sleep(EFFECTIVE_S)
    assert person.account.phase != "pausing"


async def skipped(person: Person) -> str:
    """Set the running target aside, and see that it is left."""
    name, begun = person.account.target, person.account.begun
    assert isinstance(person.ask(Skip()), Done)
    await asyncio.sleep(EFFECTIVE_S)
    assert person.account.target != name
    assert (
        person.account.begun is None
        or person.account.begun is not begun
        or (not person.shutter_is_open)
    )
    return name


async def retired(person: Person, *, now: bool) -> None:
    """Ask for the end. A sub that ends soon is waited for, but not when now is said."""
    left_s = left_of_sub_s(person)
    assert isinstance(person.ask(Retire(now=now)), Done)
    if not now and left_s is not None and left_s <= LAST_SUB_S:
        await asyncio.sleep(left_s)
    await asyncio.sleep(EFFECTIVE_S)
    assert person.account.phase == "retiring"
    assert not person.shutter_is_open
    at_s = person.now_s
    await asyncio.sleep(30.0)
    assert person.moved_since(at_s) == []


def left_of_sub_s(person: Person) -> float | None:
    """How long the shutter stays open for a sub, by the camera's own count."""
    if person.account.begun is None or not person.shutter_is_open:
        return None
    exposure = person.rig.simulator("Rig Camera").properties["CCD_EXPOSURE"]
    return float(exposure.elements["CCD_EXPOSURE_VALUE"])


def sound(story: Story) -> None:
    """What holds for every night: no rule broken, every sub kept or said to be cut."""
    assert story.played.violations == []
    assert not story.of(e.UnexpectedError)
    begun = [one.uid for one in story.of(e.SubBegun)]
    ended = [one.uid for one in story.of(e.SubEnded)]
    cut = [one.uid for one in story.of(e.SubCancelled)]
    assert sorted([*ended, *cut]) == sorted(begun)
    assert [frame.uid for frame in story.frames] == ended


@pytest.mark.parametrize("seed", range(12))
def test_requests_at_random_moments(tmp_path: Path, seed: int) -> None:
    """Nine in each of twelve nights, from waking to the end."""
    chance = np.random.default_rng(seed)
    early_s = chance.uniform(60.0, DUSK_S, 3).tolist()
    times_s = sorted([*early_s, *chance.uniform(2700.0, DUSK_S + 1200.0, 6).tolist()])
    asked: Counter[str] = Counter()
    aside: list[tuple[str, float]] = []

    async def ask(person: Person) -> None:
        woke_s = person.now_s
        for number, at_s in enumerate(times_s):
            await asyncio.sleep(max(0.0, woke_s + at_s - person.now_s))
            phase = person.account.phase
            if number == len(times_s) - 1:
                await retired(person, now=bool(seed % 2))
                asked["retire"] += 1
            elif phase in WITH_TARGET and not aside and chance.random() < 0.3:
                aside.append((await skipped(person), person.now_s))
                asked["skip"] += 1
            elif phase in OPEN:
                await paused(person, float(chance.uniform(1.0, 200.0)))
                await resumed(person)
                asked["pause"] += 1
                asked["resume"] += 1

    story = asked_night(tmp_path, ask, seed=seed)
    sound(story)
    assert asked["retire"] == 1
    assert asked.total() >= 9
    for name, at_s in aside:
        later = [
            utc.timestamp()
            for utc, one in story.events
            if isinstance(one, e.TargetChosen) and one.target == name
        ]
        assert all(then_s < at_s for then_s in later)
