"""The monitor of clouds: subs that cloud enters, gusts, and moves that it must not cut."""

import asyncio
from collections.abc import Awaitable, Callable, Iterable

import pytest

from night.nights import demo
from nightloom.clouds import Cause, SkyLook
from nightloom.clouds.monitor import CloudMonitor
from nightloom.telemetry import Log
from nightloom.telemetry import events as e
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.virtual_loop import run_virtual

BEGIN_S = 1_794_340_800.0
GUIDE_S = 2.3
Told = Callable[[CloudMonitor], Awaitable[None]]


def watched(told: Told) -> list[e.SkyChanged]:
    """Tell a story to a monitor; what it named on the way."""
    named: list[e.SkyChanged] = []

    async def story() -> None:
        clock = LoopClock(BEGIN_S)
        log = Log(clock)
        with log.listen(
            lambda _, one: named.append(one) if isinstance(one, e.SkyChanged) else None
        ):
            await told(CloudMonitor(demo()[0], clock, log))

    run_virtual(story())
    return named


async def shine(monitor: CloudMonitor, ratios: Iterable[float], *, held: int = 10) -> None:
    """Guide frames of these flux ratios."""
    for ratio in ratios:
        await asyncio.sleep(GUIDE_S)
        monitor.guide(ratio, held, 10, 1.2)


@pytest.mark.parametrize(
    ("ratios", "holds"),
    [
        ([1.0] * 50, False),
        ([1.0] * 10 + [0.1] + [1.0] * 39, False),  # one dim reading
        ([1.0] * 20 + [0.85] * 30, False),  # a veil that is accepted
        ([1.0] * 8 + [0.4] * 42, True),
        ([1.0] * 48 + [0.2] * 5, False),  # nearly done: it is accepted whatever comes
    ],
)
def test_a_sub_is_cut_when_its_end_is_not_worth_it(ratios: list[float], holds: bool) -> None:
    async def told(monitor: CloudMonitor) -> None:
        await shine(monitor, [1.0] * 10)
        monitor.sub_begins(120.0)
        await shine(monitor, ratios)
        assert monitor.holding is holds
        if not holds:
            mean = monitor.sub_ends()
            assert mean == pytest.approx(sum(ratios) / len(ratios), abs=0.02)

    watched(told)


def test_a_gust_that_hides_all_stars_for_a_moment_cuts_nothing() -> None:
    async def told(monitor: CloudMonitor) -> None:
        await shine(monitor, [1.0] * 10)
        monitor.sub_begins(300.0)
        await shine(monitor, [1.0] * 10)
        await shine(monitor, [0.0] * 5, held=0)
        await shine(monitor, [1.0] * 5)
        assert not monitor.holding
        mean = monitor.sub_ends()
        assert mean is not None
        assert mean > 0.95

    watched(told)


def test_stars_that_stay_hidden_are_behind_a_cloud() -> None:
    async def told(monitor: CloudMonitor) -> None:
        monitor.sub_begins(300.0)
        await shine(monitor, [1.0] * 10)
        await shine(monitor, [0.0] * 12, held=0)
        assert monitor.holding
        assert monitor.stars_were_lost

    watched(told)


def test_without_a_sub_a_dim_sky_holds_after_a_while_and_a_clear_one_goes_on_soon() -> None:
    async def told(monitor: CloudMonitor) -> None:
        await shine(monitor, [1.0] * 10)
        clouded = asyncio.ensure_future(monitor.until_clouded())
        await shine(monitor, [0.4] * 10)
        assert clouded.done()
        began_s = asyncio.get_running_loop().time()
        clear = asyncio.ensure_future(monitor.until_clear())
        await shine(monitor, [1.0] * 5)
        assert clear.done()
        assert asyncio.get_running_loop().time() - began_s < 15.0

    watched(told)


def test_a_move_that_must_not_be_left_half_done_is_not_cut() -> None:
    async def told(monitor: CloudMonitor) -> None:
        clouded = asyncio.ensure_future(monitor.until_clouded())
        with monitor.undisturbed():
            await shine(monitor, [1.0] * 10 + [0.2] * 20)
            assert monitor.holding
            assert not clouded.done()
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        assert clouded.done()

    watched(told)


def test_dim_frames_hold_only_where_no_guide_star_tells_more() -> None:
    dim = SkyLook(BEGIN_S, 0.3)

    async def guided(monitor: CloudMonitor) -> None:
        await shine(monitor, [1.0] * 10)
        monitor.frame(dim)
        assert not monitor.holding

    async def unguided(monitor: CloudMonitor) -> None:
        monitor.frame(dim)
        assert monitor.holding

    watched(guided)
    watched(unguided)


def test_what_dims_the_sky_is_said_once() -> None:
    async def told(monitor: CloudMonitor) -> None:
        await shine(monitor, [1.0] * 300)
        await shine(monitor, [0.5] * 300)
        await shine(monitor, [1.0] * 900)

    named = watched(told)
    assert [one.cause for one in named] == [Cause.CLOUD, Cause.CLEAR]
    assert named[0].lost_mag == pytest.approx(0.75, abs=0.01)


def test_a_thin_sky_is_timed_and_a_thick_one_is_not() -> None:
    async def told(monitor: CloudMonitor) -> None:
        await shine(monitor, [1.0] * 10 + [0.65] * 100)
        assert monitor.held.thin_for_s == pytest.approx(109 * GUIDE_S, abs=1.0)
        await shine(monitor, [0.3] * 10)
        assert monitor.held.thin_for_s == 0.0

    watched(told)


def test_subs_are_seen_anew_when_their_guide_stars_have_seen_a_clearer_sky() -> None:
    """Chosen behind a cloud that takes half; another set of stars says nothing of them."""

    async def told(monitor: CloudMonitor) -> None:
        monitor.sub_begins(60.0)
        await shine(monitor, [1.0] * 26)
        assert monitor.sub_ends("f1") == pytest.approx(1.0)
        await shine(monitor, [2.0] * 200)
        assert monitor.guides() == {"f1": pytest.approx(0.5, abs=0.01)}
        monitor.new_stars(1.2)
        await shine(monitor, [3.0] * 200)
        assert monitor.guides() == {"f1": pytest.approx(0.5, abs=0.01)}

    watched(told)


def test_a_wait_is_counted_until_a_sub_begins_and_before_a_target_from_when_it_was_tried() -> None:
    async def told(monitor: CloudMonitor) -> None:
        assert monitor.held.for_s == 0.0
        monitor.waits()
        await asyncio.sleep(600.0)
        monitor.tries_elsewhere()
        await asyncio.sleep(300.0)
        monitor.waits()
        assert (monitor.held.for_s, monitor.held.here_s) == (900.0, 300.0)
        monitor.sub_begins(60.0)
        assert monitor.held.for_s == 0.0

    watched(told)


def test_a_sub_that_was_not_guided_has_no_transparency() -> None:
    async def told(monitor: CloudMonitor) -> None:
        monitor.sub_begins(60.0)
        await asyncio.sleep(60.0)
        assert monitor.sub_ends() is None
        assert monitor.sub_ends() is None
        assert monitor.transparency == 1.0

    watched(told)
