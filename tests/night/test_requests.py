"""What a person asks of a night is in force within a second, whatever goes on."""

import asyncio
import os
import signal
from collections import Counter
from collections.abc import Awaitable, Callable
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from night.asking import EFFECTIVE_S, Asks, Person, asked_night, two_targets
from night.nights import NIGHT, Story
from night.troubles import DUSK_S
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.desk import OPEN_PAUSE_S
from nightloom.night.interrupts import LAST_SUB_S
from nightloom.night.next_night import next_night
from nightloom.requests import Change, Done, Pause, Refused, Resume, Retire, Skip
from nightloom.schedule.windows import darkness
from nightloom.telemetry import events as e
from nightloom_drivers.simulators.faults import Faults
from nightloom_drivers.simulators.rig import MOUNT, WHEEL

Moment = Callable[[Person], Awaitable[None]]

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
    is_open = not person.rig.world.roof.is_closed(at_s)
    await asyncio.sleep(for_s)
    if for_s < OPEN_PAUSE_S:
        assert is_open is not person.rig.world.roof.is_closed(person.now_s)
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


@pytest.mark.parametrize(
    "seed", [0, *(pytest.param(n, marks=pytest.mark.long) for n in range(1, 12))]
)
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


# In the middle of what takes long ---------------------------------------------------------------


async def slewing(person: Person) -> None:
    """A third of a second into a slew."""
    await person.driver_is_asked(MOUNT, "EQUATORIAL_EOD_COORD")
    await asyncio.sleep(0.3)
    assert person.slews


async def downloading(person: Person) -> None:
    """A third of a second after a shutter closed."""
    await person.frame_comes_down()
    await asyncio.sleep(0.3)
    assert not person.shutter_is_open


async def settling(person: Person) -> None:
    """Guide stars were just taken hold of, and are not at rest yet."""
    await person.logged(e.StarsHeld)
    await asyncio.sleep(0.5)
    assert person.account.begun is None


async def first_sub(person: Person) -> None:
    """A second into the night's first sub."""
    await person.logged(e.SubBegun)
    await asyncio.sleep(1.0)


async def exposing(person: Person) -> None:
    """A sub that has long to go."""
    await person.frame_comes_down()
    while person.account.begun is None or not person.shutter_is_open:  # noqa: ASYNC110
        await asyncio.sleep(0.1)
    await asyncio.sleep(1.0)


MOMENTS = (slewing, downloading, settling, exposing)


def at_moments(*quick: Moment) -> pytest.MarkDecorator:
    """All of them; those that are not among the quick ones are long.

    The request that ends a night is tried at most: the others go the same way through the desk.
    """
    return pytest.mark.parametrize(
        "moment",
        [pytest.param(m, marks=() if m in quick else pytest.mark.long) for m in MOMENTS],
    )


@at_moments(slewing)
def test_a_pause_in_the_middle_and_on_again(tmp_path: Path, moment: Moment) -> None:
    async def ask(person: Person) -> None:
        await moment(person)
        await paused(person, 600.0)
        await resumed(person)

    story = asked_night(tmp_path, ask, hours=0.5)
    sound(story)
    pausing_s = [
        utc.timestamp()
        for utc, one in story.events
        if isinstance(one, e.PhaseChanged) and one.after == "pausing"
    ]
    assert story.at(e.SubBegun)[-1] > pausing_s[0] + 600.0, "it went on"


@at_moments(slewing, settling, exposing)
@pytest.mark.parametrize("now", [False, True])
def test_the_end_in_the_middle(tmp_path: Path, moment: Moment, now: bool) -> None:
    """A sub of 40 s ends within the minute that is given it, but not when now was said."""

    async def ask(person: Person) -> None:
        await moment(person)
        await retired(person, now=now)

    story = asked_night(tmp_path, ask)
    sound(story)
    cut = bool(story.of(e.SubCancelled))
    assert cut is (now and moment is exposing)


def test_the_end_does_not_wait_for_a_sub_that_has_long_to_go(tmp_path: Path) -> None:
    async def ask(person: Person) -> None:
        await exposing(person)
        left_s = left_of_sub_s(person)
        assert left_s is not None
        assert left_s > LAST_SUB_S
        assert isinstance(person.ask(Retire()), Done)
        await asyncio.sleep(EFFECTIVE_S)
        assert person.account.phase == "retiring"

    sound(asked_night(tmp_path, ask, changed=two_targets(sub_s=120.0), hours=0.5))


def test_now_cuts_what_was_waited_for(tmp_path: Path) -> None:
    async def ask(person: Person) -> None:
        await exposing(person)
        assert isinstance(person.ask(Retire()), Done)
        await asyncio.sleep(5.0)
        assert person.account.phase == "gathering"
        assert isinstance(person.ask(Pause()), Refused)
        await retired(person, now=True)

    sound(asked_night(tmp_path, ask))


@at_moments(exposing)
def test_a_target_set_aside_in_the_middle(tmp_path: Path, moment: Moment) -> None:
    async def ask(person: Person) -> None:
        await moment(person)
        left = await skipped(person)
        await asyncio.sleep(EFFECTIVE_S)
        assert person.account.target not in ("", left)

    story = asked_night(tmp_path, ask)
    sound(story)
    chosen = [one.target for one in story.of(e.TargetChosen)]
    assert len(set(chosen)) == 2
    assert chosen[1:] == [chosen[-1]] * (len(chosen) - 1)


# What outlives what ------------------------------------------------------------------------------


def test_a_pause_stands_still_through_the_meridian_until_the_dark_ends(tmp_path: Path) -> None:
    """Four hours: a mount that tracked would have come to the limit of its side."""
    seen: list[str] = []

    async def ask(person: Person) -> None:
        await exposing(person)
        await paused(person, 4 * 3600.0)
        seen.append(person.account.phase)
        assert person.rig.world.roof.is_closed(person.now_s), "who asked may have gone"

    story = asked_night(tmp_path, ask, hours=5.0)
    sound(story)
    assert seen == ["pausing"]
    last = [one for one in story.of(e.PhaseChanged) if one.before == "pausing"]
    assert [(one.after, one.reason) for one in last] == [
        ("retiring", "the hours asked for are over")
    ]
    with Ledger.read(tmp_path / FILE_NAME) as ledger:
        assert ledger.unfinished() == []


def test_rain_closes_over_a_pause_and_the_pause_goes_on_after_it(tmp_path: Path) -> None:
    async def ask(person: Person) -> None:
        faults = Faults(person.rig.link, person.rig.simulators, person.rig.world, person.clock)
        await exposing(person)
        await paused(person, 10.0)
        faults.rain(for_s=600.0)
        await asyncio.sleep(400.0)
        assert person.account.phase == "sheltering"
        assert person.rig.world.roof.is_closed(person.now_s)
        await asyncio.sleep(2400.0)
        assert person.account.phase == "pausing"
        assert person.rig.world.roof.is_closed(person.now_s)
        await resumed(person)

    story = asked_night(tmp_path, ask, hours=1.5)
    sound(story)
    phases = [one.after for one in story.of(e.PhaseChanged)]
    assert phases[-3:-1].count("gathering") == 1, "the night went on after it"


def test_a_pause_cuts_the_rest_after_trouble(tmp_path: Path) -> None:
    async def ask(person: Person) -> None:
        faults = Faults(person.rig.link, person.rig.simulators, person.rig.world, person.clock)
        await exposing(person)
        faults.refuses(WHEEL, "FILTER_SLOT")
        for _ in range(2):
            await person.logged(e.DeviceTrouble)
        await asyncio.sleep(0.1)
        await paused(person, 5.0)
        faults.heal(WHEEL)
        await resumed(person)

    sound(asked_night(tmp_path, ask))


def restarted(out: Path, asks: Asks) -> Story:
    """The night again, by a daemon that starts anew after the last one was killed in it."""
    return asked_night(out, asks)


def killed(out: Path, change: Change) -> None:
    """Ask in a child process, which is killed five seconds later."""
    child = os.fork()
    if child == 0:

        async def ask(person: Person) -> None:
            await first_sub(person)
            assert isinstance(person.ask(change), Done)
            await asyncio.sleep(5.0)
            os.kill(os.getpid(), signal.SIGKILL)

        try:
            asked_night(out, ask)
        finally:
            os._exit(3)
    _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == -signal.SIGKILL


def test_a_pause_outlives_a_crash(tmp_path: Path) -> None:
    killed(tmp_path, Pause())

    async def ask(person: Person) -> None:
        await asyncio.sleep(DUSK_S + 60.0)
        assert person.account.phase == "pausing"
        assert person.told == []
        assert person.rig.world.roof.is_closed(person.now_s)
        await resumed(person)

    story = restarted(tmp_path, ask)
    assert story.played.violations == []
    assert story.of(e.SubBegun), "it went on when told to"


def test_a_target_set_aside_stays_so_after_a_crash(tmp_path: Path) -> None:
    killed(tmp_path, Skip())

    async def ask(_: Person) -> None:
        return

    story = restarted(tmp_path, ask)
    with Ledger.read(tmp_path / FILE_NAME) as ledger:
        (act,) = ledger.acts("skip")
    assert {one.target for one in story.of(e.TargetChosen)} == {"NGC 891", "Beside it"} - {
        act.detail["target"]
    }


def test_a_night_that_was_ended_stays_ended_after_a_crash(tmp_path: Path) -> None:
    killed(tmp_path, Retire(now=True))
    settings, _ = two_targets()
    with Ledger(tmp_path / FILE_NAME) as ledger:
        now_s = darkness(settings, NIGHT).start_unix_s + 600.0
        assert next_night(settings, ledger, now_s) == NIGHT + timedelta(days=1)


# What cannot be ---------------------------------------------------------------------------------


def test_what_cannot_be_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    async def ask(person: Person) -> None:
        await exposing(person)
        assert isinstance(person.ask(Resume()), Refused)
        unknown = person.ask(Skip(target="Nowhere"))
        assert isinstance(unknown, Refused)
        assert "NGC 891" in unknown.why
        assert isinstance(person.ask(Pause()), Done)
        assert isinstance(person.ask(Pause()), Refused)
        await resumed(person)
        await person.phase("retiring")
        ending: tuple[Change, ...] = (Pause(), Resume(), Skip())
        for change in ending:
            assert isinstance(person.ask(change), Refused)
        assert isinstance(person.ask(Retire()), Done), "it is what is being done"

    story = asked_night(tmp_path, ask)
    sound(story)
    asked = story.of(e.OperatorAsked)
    assert all(one.origin == "a test" and one.answer for one in asked)
    assert len(asked) == 9
