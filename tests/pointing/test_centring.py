"""Pointing on the simulated rig: what is learned from misses, and what follows a failed solve."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from night.nights import NIGHT, demo
from nightloom.clouds import Unsolved
from nightloom.executor import InLine
from nightloom.frames import StarField
from nightloom.frames.image import Frame, Image
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.assembly import build_context
from nightloom.night.context import Context
from nightloom.pointing.centring import Astray, Clouded, Dark, Unseen
from nightloom.pointing.kept_offsets import KeptPointingOffsets
from nightloom.pointing.offsets import Miss, PointingOffsets, beside, miss_deg
from nightloom.rig import assemble, safety_devices, simulated_rig, simulated_sky
from nightloom.safety import OutOfReach, WrongSide
from nightloom.schedule.schedule import Schedule
from nightloom.settings import Settings, Target
from nightloom.sky import separation_deg, sidereal_deg
from nightloom.solving import CatalogueSolver, Hint, NotSolved, Solution, Solver
from nightloom.telemetry import Event, Log
from nightloom.telemetry import events as e
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.devices import PierSide
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.virtual_loop import run_virtual

EVENING_S = 1794338000.0
"""2026-11-10, an hour into the dark of the demo observatory."""

SIDEREAL_DAY_S = 86164.09
"""After so long the sky is where it was."""

Heard = list[Event]


@dataclass
class Blind:
    """A solver that fails a number of times before it sees, and remembers what it was asked."""

    inner: Solver
    failures: int
    hints: list[Hint]

    async def solve(self, frame: Image | Frame, stars: StarField | None, hint: Hint) -> Solution:
        self.hints.append(hint)
        if len(self.hints) <= self.failures:
            raise NotSolved(hint, "told to fail")
        return await self.inner.solve(frame, stars, hint)


def on_the_rig(
    out: Path,
    work: Callable[[Context, Heard], Awaitable[None]],
    changed: tuple[Settings, RigSettings] | None = None,
    *,
    blind: Blind | None = None,
    seed: int = 7,
    later_d: int = 0,
) -> None:
    """Do something with a rig that is open and unparked in the dark, some days later."""
    settings, rig = changed or demo()

    async def evening() -> None:
        clock = LoopClock(EVENING_S + later_d * SIDEREAL_DAY_S)
        heard: Heard = []
        with Ledger(out / FILE_NAME) as ledger:
            log = Log(clock)
            night = NIGHT + timedelta(days=later_d)
            schedule = Schedule(settings, night, clock, ledger)
            async with simulated_rig(rig, clock, seed).link as link:
                solver: Solver = CatalogueSolver(simulated_sky(rig), InLine())
                if blind is not None:
                    blind.inner, solver = solver, blind
                context = build_context(
                    settings,
                    assemble(link, settings.observatory, clock),
                    safety_devices(link, settings.observatory, clock),
                    schedule,
                    frames_folder=None,
                    ledger=ledger,
                    log=log,
                    clock=clock,
                    solver=solver,
                    compute=InLine(),
                    store=InLine(),
                )
                await context.rig.connect(10.0)
                await context.guard.connect_mount()
                await context.guard.connect_roof()
                await context.guard.connect_station()
                await asyncio.sleep(1.0)
                await context.guard.park()
                await context.guard.open_roof()
                assert context.rig.dust_cap is not None
                await context.rig.dust_cap.open()
                await context.guard.unpark()
                with log.listen(lambda _, event: heard.append(event)):
                    await work(context, heard)
                await context.guard.park()

    run_virtual(evening())


def of(heard: Heard, kind: type[Event]) -> list[Any]:
    return [event for event in heard if isinstance(event, kind)]


def with_mount(changed: tuple[Settings, RigSettings], **table: Any) -> tuple[Settings, RigSettings]:
    settings, rig = changed
    mount = settings.observatory.mount.model_copy(update=table)
    observatory = settings.observatory.model_copy(update={"mount": mount})
    return replace(settings, observatory=observatory), rig


def at(settings: Settings, hour_angle_h: float, dec_deg: float, unix_s: float) -> Target:
    """A target at an hour angle."""
    sidereal = float(sidereal_deg(unix_s, settings.observatory.site.longitude_deg))
    ra_deg = (sidereal - 15.0 * hour_angle_h) % 360.0
    first = settings.targets.targets[0]
    return first.model_copy(update={"ra_deg": ra_deg, "dec_deg": dec_deg})


# The model of the misses ----------------------------------------------------------------------


def first_misses(out: Path, seed: int, sync: bool) -> list[float]:
    """How far off the first slew to each of three targets on one side ended, in arcseconds."""
    off: list[float] = []

    async def three(context: Context, heard: Heard) -> None:
        for hour_angle_h, dec_deg in ((-3.0, 35.0), (-2.0, 45.0), (-2.5, 40.0)):
            told = len(of(heard, e.Solved))
            target = at(context.settings, hour_angle_h, dec_deg, context.clock.unix_s())
            await context.pointing.centre(target)
            off.append(of(heard, e.Solved)[told].distance_arcsec)

    on_the_rig(out, three, with_mount(demo(), sync=sync), seed=seed)
    return off


@pytest.mark.parametrize("sync", [True, False], ids=["by sync", "by offset"])
def test_slews_land_nearer_once_the_miss_is_known(tmp_path: Path, sync: bool) -> None:
    """Index errors go with the first correction; what the place changes, a minute or so, stays."""
    misses = np.array([first_misses(tmp_path / str(seed), seed, sync) for seed in (1, 2, 3)])
    assert np.median(misses[:, 0]) > 100.0
    assert np.median(misses[:, 2]) < 0.4 * np.median(misses[:, 0])


def first_distances(out: Path, seed: int, sync: bool) -> list[float]:
    """How far off the first slew of each of two nights ended, on a mount that forgets by day."""
    off: list[float] = []

    async def evening(context: Context, heard: Heard) -> None:
        first = (-2.5, 40.0) if not off else (-1.5, 55.0)
        for hour_angle_h, dec_deg in (first, (1.5, 40.0)):
            target = at(context.settings, hour_angle_h, dec_deg, context.clock.unix_s())
            await context.pointing.centre(target)
        off.append(of(heard, e.Solved)[0].distance_arcsec)

    for later_d in (0, 1):
        on_the_rig(out, evening, with_mount(demo(), sync=sync), seed=seed, later_d=later_d)
    return off


@pytest.mark.parametrize("sync", [True, False], ids=["by sync", "by offset"])
def test_the_first_slew_of_another_night_lands_nearer(tmp_path: Path, sync: bool) -> None:
    """Sixteen degrees from where the last night began, so that a minute or so may be left."""
    nights = np.array([first_distances(tmp_path / str(seed), seed, sync) for seed in (1, 2)])
    assert nights[:, 0].min() > 100.0
    assert nights[:, 1].max() < 0.6 * nights[:, 0].min()


@given(st.floats(0, 359.99), st.floats(-85, 85), st.floats(-0.5, 0.5), st.floats(-0.5, 0.5))
def test_aiming_beside_undoes_a_miss(ra: float, dec: float, east: float, north: float) -> None:
    aim = beside((ra, dec), (east, north))
    cos = np.cos(np.radians(dec))
    landed = (aim[0] + east / cos) % 360.0, aim[1] + north
    assert float(separation_deg(*landed, ra, dec)) < 1e-6


def test_a_miss_is_measured_across_the_first_point_of_aries() -> None:
    assert miss_deg((359.9, 0.0), (0.1, 0.0)) == pytest.approx((0.2, 0.0))


def test_sides_are_learned_apart_and_a_sync_moves_both() -> None:
    misses = PointingOffsets()
    misses.learn(PierSide.WEST, (0.1, 0.0))
    misses.learn(PierSide.EAST, (-0.1, 0.05))
    assert misses.aim(PierSide.WEST, (10.0, 0.0)) == pytest.approx((9.9, 0.0))
    misses.tell(PierSide.WEST, (0.1, 0.0))
    assert misses.aim(PierSide.WEST, (10.0, 0.0)) == pytest.approx((10.0, 0.0))
    assert misses.aim(PierSide.EAST, (10.0, 0.0)) == pytest.approx((10.2, -0.05))


def nights_of(ledger: Ledger, starts: Sequence[Miss], remembers: bool) -> list[float]:
    """How far off, in degrees, the first slew of each night ends on a mount told of each miss.

    `starts` are its misses at the beginning of each night, to which one that `remembers` adds what
    it was told on earlier nights.
    """
    off, told_before = [], (0.0, 0.0)
    for number, start in enumerate(starts):
        kept = KeptPointingOffsets(ledger, f"2026-11-{10 + number}")
        misses, place = kept.recalled(), (10.0, 0.0)
        aim = misses.aim(PierSide.WEST, place)
        true = start[0] - told_before[0], start[1] - told_before[1]
        off.append(float(np.hypot(*np.add(miss_deg(place, aim), true))))
        for known in (misses.learn(PierSide.WEST, true), misses.tell(PierSide.WEST, true)):
            kept.keep(
                PierSide.WEST, known, misses.told, datetime(2026, 11, 10 + number, tzinfo=UTC)
            )
        if remembers:
            told_before = told_before[0] + true[0], told_before[1] + true[1]
    return off


@pytest.mark.parametrize(
    ("starts", "remembers", "off"),
    [
        ([(0.1, 0.0)] * 4, False, [0.1, 0.0, 0.0, 0.0]),
        ([(0.1, 0.0)] * 4, True, [0.1, 0.1, 0.0, 0.0]),
        ([(0.1, 0.0), (0.0, 0.3), (0.0, 0.3), (0.0, 0.3)], False, [0.1, 0.316, 0.3, 0.0]),
        ([(0.1, 0.0), (-0.1, 0.0), (0.1, 0.0), (-0.1, 0.0)], False, [0.1, 0.2, 0.1, 0.1]),
    ],
    ids=["forgets", "remembers", "aligned anew once", "aligned anew each night"],
)
def test_a_kept_miss_is_used_until_a_night_contradicts_it(
    tmp_path: Path, starts: Sequence[Miss], remembers: bool, off: list[float]
) -> None:
    """What contradicts is used on a later night once another night has confirmed it."""
    with Ledger(tmp_path / FILE_NAME) as ledger:
        assert nights_of(ledger, starts, remembers) == pytest.approx(off, abs=1e-3)


def test_a_restart_in_the_night_knows_what_the_mount_was_told(tmp_path: Path) -> None:
    west = PierSide.WEST
    with Ledger(tmp_path / FILE_NAME) as ledger:
        kept = KeptPointingOffsets(ledger, "2026-11-10")
        misses = kept.recalled()
        misses.learn(west, (0.1, 0.2))
        kept.keep(
            west, misses.tell(west, (0.1, 0.2)), misses.told, datetime(2026, 11, 10, tzinfo=UTC)
        )
        again = KeptPointingOffsets(ledger, "2026-11-10").recalled()
        assert again.aim(west, (10.0, 0.0)) == pytest.approx((10.0, 0.0))
        tomorrow = KeptPointingOffsets(ledger, "2026-11-11").recalled()
        assert tomorrow.aim(west, (10.0, 0.0)) == pytest.approx((9.9, -0.2))


# Failed solves --------------------------------------------------------------------------------


@pytest.mark.parametrize("failures", [1, 2, 3])
def test_a_failed_solve_is_tried_wider_then_longer_then_beside(
    tmp_path: Path, failures: int
) -> None:
    blind = Blind(None, failures, [])  # type: ignore[arg-type]

    async def centre(context: Context, heard: Heard) -> None:
        began_s = context.clock.unix_s()
        await context.pointing.centre(context.schedule.targets[0])
        assert len(of(heard, e.SolveFailed)) == failures
        assert of(heard, e.Centred)
        assert len(of(heard, e.Slewed)) >= (3 if failures == 3 else 2)
        assert context.clock.unix_s() - began_s < 180.0

    on_the_rig(tmp_path, centre, blind=blind)
    radii = [hint.radius_deg for hint in blind.hints[: failures + 1]]
    assert radii == [5.0, 30.0, 30.0, 30.0][: failures + 1]


def test_stars_enough_and_no_solution_is_the_mounts_fault(tmp_path: Path) -> None:
    blind = Blind(None, 100, [])  # type: ignore[arg-type]

    async def centre(context: Context, heard: Heard) -> None:
        with pytest.raises(Astray, match="though they hold"):
            await context.pointing.centre(context.schedule.targets[0])
        (failed,) = of(heard, e.PointingFailed)
        assert failed.cause == "mount"
        assert len(of(heard, e.SolveFailed)) == 4

    on_the_rig(tmp_path, centre, blind=blind)


THICK = {"begin_h_after_dusk": -1.0, "duration_h": 5.0, "depth_mag": 8.0, "contrast": 0.0}


def test_without_stars_nobody_knows_whether_it_is_cloud_or_focus(tmp_path: Path) -> None:
    """Before any frame of the night was solved."""

    async def centre(context: Context, heard: Heard) -> None:
        with pytest.raises(Unseen, match="thick cloud, or far out of focus"):
            await context.pointing.centre(context.schedule.targets[0])
        assert of(heard, e.PointingFailed)[0].cause == "unknown"

    on_the_rig(tmp_path, centre, demo(weather={"clouds": (THICK,)}))


def test_without_stars_where_frames_were_solved_cloud_is_blamed(tmp_path: Path) -> None:
    async def centre(context: Context, heard: Heard) -> None:
        context.cloud_monitor.solved("another", 300, 2.0)
        with pytest.raises(Clouded, match="it holds"):
            await context.pointing.centre(context.schedule.targets[0])
        assert of(heard, e.PointingFailed)[0].cause == "cloud"

    on_the_rig(tmp_path, centre, demo(weather={"clouds": (THICK,)}))


def test_a_cap_that_was_left_on_is_no_cloud(tmp_path: Path) -> None:
    """No light of a sky: three times the exposure leaves the background where it was."""

    async def centre(context: Context, heard: Heard) -> None:
        context.cloud_monitor.solved("another", 300, 2.0)
        assert context.rig.dust_cap is not None
        await context.rig.dust_cap.close()
        with pytest.raises(Dark, match="is a cap on"):
            await context.pointing.centre(context.schedule.targets[0])
        assert of(heard, e.PointingFailed)[0].cause == "dark"

    on_the_rig(tmp_path, centre)


def test_far_fewer_stars_than_before_are_cloud_too(tmp_path: Path) -> None:
    blind = Blind(None, 0, [])  # type: ignore[arg-type]

    async def centre(context: Context, _: Heard) -> None:
        target = context.schedule.targets[0]
        await context.pointing.centre(target)
        usual = context.cloud_monitor
        assert usual.why_unsolved(target.name, 10_000, 2.0, 50.0)[0] is Unsolved.MOUNT
        assert usual.why_unsolved(target.name, 15, 2.0, 50.0)[0] is Unsolved.CLOUD
        assert usual.why_unsolved("another", 15, 2.0, 50.0)[0] is Unsolved.MOUNT
        assert usual.why_unsolved(target.name, 15, 20.0, 50.0)[0] is Unsolved.FOCUS

    on_the_rig(tmp_path, centre, blind=blind)


# Limits of the pier ---------------------------------------------------------------------------


@pytest.mark.parametrize(("hour_angle_h", "side"), [(-6.8, "west"), (6.8, "east")])
def test_places_beyond_the_limit_of_the_side_are_refused(
    tmp_path: Path, hour_angle_h: float, side: str
) -> None:
    async def slew(context: Context, heard: Heard) -> None:
        before = context.guard.position
        target = at(context.settings, hour_angle_h, 70.0, context.clock.unix_s())
        with pytest.raises(OutOfReach, match=f"{side} of the pier"):
            await context.guard.slew(target.ra_deg, target.dec_deg)
        assert context.guard.position.distance_deg(before) < 0.1
        assert of(heard, e.GuardRefused)

    on_the_rig(tmp_path, slew)


def test_tracking_ends_at_the_limit(tmp_path: Path) -> None:
    """Whatever the night does meanwhile: an hour of hour angle is 0.99727 of a clock's
    (IAU 1982 ratio of sidereal to mean time)."""

    async def track(context: Context, _: Heard) -> None:
        target = at(context.settings, -0.05, 40.0, context.clock.unix_s())
        await context.guard.slew(target.ra_deg, target.dec_deg)
        assert context.guard.pier.side is PierSide.WEST
        expected_s = 0.99727 * 3600.0 * (0.05 - context.guard.hour_angle_h())
        began_s = context.clock.unix_s()
        with pytest.raises(WrongSide):
            await asyncio.wait_for(context.guard.until_limit(), 3600.0)
        assert context.clock.unix_s() - began_s == pytest.approx(expected_s, abs=5.0)
        assert not context.guard.is_tracking

    on_the_rig(tmp_path, track, with_mount(demo(), hour_angle_pier_west_h=(-6.5, 0.05)))
