"""A night that counts depth makes up for what a veil over one filter takes; seconds do not."""

import asyncio
from collections.abc import Mapping
from pathlib import Path

import pytest

from night.nights import SELDOM_S, Story, demo, live
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.rig import SimulatedRig
from nightloom.settings import Settings
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock

VEILED, PASSES, CLEAR_S = "R", 0.82, 2400.0
"""Behind the third filter so much light arrives, some cycles after the night has begun."""

pytestmark = pytest.mark.long  # the chooser's own rule is in tests/cycle, the worth in tests/frames

FILTERS = {"L": 120.0, "R": 120.0, "B": 120.0}


async def veil(rig: SimulatedRig, clock: Clock) -> None:
    """A veil that is before one filter only, such as dew on it."""
    clouds, wheel = rig.world.clouds, rig.world.wheel
    names = [one.name for one in rig.world.settings.wheel.filters]
    begins_s, clear = clock.unix_s() + CLEAR_S, clouds.transmission

    def through(t_s: float, altitude_deg: float, azimuth_deg: float) -> float:
        slot = wheel.slot(t_s)
        veiled = t_s > begins_s and slot is not None and names[slot - 1] == VEILED
        return clear(t_s, altitude_deg, azimuth_deg) * (PASSES if veiled else 1.0)

    clouds.transmission = through  # type: ignore[method-assign]
    await asyncio.sleep(0)


def night(out: Path, count: str) -> Story:
    settings, rig = demo(targets=FILTERS, guide_s=SELDOM_S)
    target = settings.targets.targets[0].model_copy(update={"count": count})
    targets = settings.targets.model_copy(update={"targets": (target,)})
    told = Settings(settings.observatory, targets, settings.policies, rig)
    return live(out, (told, rig), hours=2.6, meddler=veil)


def true_s(story: Story) -> Mapping[str, float]:
    """Seconds by filter of a sky without the veil that the night's accepted subs are truly worth,
    as far as the veil goes.
    """
    kept = {frame.start_utc.timestamp() for frame in story.frames if not frame.reason}
    worth_s = dict.fromkeys(FILTERS, 0.0)
    for sub in story.played.subs:
        if any(abs(sub.start_s - at_s) < 0.5 for at_s in kept):
            worth_s[sub.filter] += sub.exposure_s * sub.depth.starlight**2
    return worth_s


@pytest.fixture(scope="module")
def seconds(tmp_path_factory: pytest.TempPathFactory) -> Story:
    return night(tmp_path_factory.mktemp("seconds"), "seconds")


@pytest.fixture(scope="module")
def depth(tmp_path_factory: pytest.TempPathFactory) -> Story:
    return night(tmp_path_factory.mktemp("depth"), "depth")


def lacks_s(story: Story) -> float:
    """By how much the veiled filter's true worth is behind the others' mean."""
    got_s = true_s(story)
    return sum(got_s[name] for name in FILTERS if name != VEILED) / 2 - got_s[VEILED]


def test_depth_makes_up_for_a_veil_and_seconds_do_not(seconds: Story, depth: Story) -> None:
    assert lacks_s(seconds) > 2 * 120.0
    assert abs(lacks_s(depth)) < 1.5 * 120.0


def test_the_observer_finds_both_as_they_were_asked(seconds: Story, depth: Story) -> None:
    assert seconds.played.violations == []
    assert depth.played.violations == []


def test_what_is_logged_is_what_the_ledger_and_the_summary_hold(depth: Story) -> None:
    accepted = depth.of(e.FrameAccepted)
    assert all(0 < one.worth_s <= one.exposure_s for one in accepted)
    figures = depth.played.summary.figures()
    with Ledger.read(depth.rehearsal.out / FILE_NAME) as ledger:
        worth_s = ledger.worth_s(depth.frames[0].target)
    assert set(figures["worth_s"]) == set(worth_s)
    assert all(worth_s[name] <= figures["accepted_s"][name] for name in worth_s)
