"""Focus runs: from far away, under clouds, with a focuser that lies, as it cools."""

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from focusing.star_frames import Bench
from night.nights import SELDOM_S, demo, live
from nightloom.executor import InLine
from nightloom.focusing import Curve, Refusal
from nightloom.focusing.runs import Focusing
from nightloom.ledger import FILE_NAME, FocuserBacklash, Ledger
from nightloom.ledger import Curve as Entry
from nightloom.settings import Settings
from nightloom.telemetry import Event, Log
from nightloom.telemetry import events as e
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.devices import Camera, Focuser
from nightloom_drivers.virtual_loop import run_virtual

START_S = 1_794_000_000.0
QUARTER_STEPS = 4.88 * 0.55 * 5.0**2 / 2.0 / 4
"""Quarter of the critical focus zone 4.88 λ N² at 550 nm and f/5, in steps of 2 µm."""


@dataclass
class StandIn:
    """A focuser and a camera before a bench of stars; `moves` False: it only says that it moves."""

    bench: Bench
    position_steps: int = 10_100
    temperature_c: float | None = 6.0
    moves: bool = True
    light: Callable[[int], float] = lambda _: 1.0
    frames: int = 0
    visited: list[int] = field(default_factory=list)
    device: str = "Stand-in"
    pixel_um: float = 3.76  # as the demo observatory's camera
    stays_at: int = 10_030
    play_steps: int = 0
    drawtube_steps: int = 10_100

    def has(self, _: str) -> bool:
        return True

    async def move_to(self, steps: int) -> None:
        await asyncio.sleep(abs(steps - self.position_steps) / 250)
        self.position_steps = steps
        # It is pushed up at once, and pulled down once the play is used up.
        self.drawtube_steps = min(max(self.drawtube_steps, steps), steps + self.play_steps)
        self.visited.append(steps)

    async def expose(self, exposure_s: float) -> Any:
        await asyncio.sleep(exposure_s + 1.2)
        self.frames += 1
        at = self.drawtube_steps if self.moves else self.stays_at
        data = self.bench.frame(at, self.light(self.frames) * exposure_s / 4.0)

        @dataclass
        class Frame:
            data: Any

        return Frame(data)


@dataclass
class Told:
    """What a focus run came to."""

    curves: list[Curve]
    events: list[Event]
    entries: list[Entry]
    focusing: Focusing


def focused(
    out: Path,
    rig: StandIn,
    work: Callable[[Focusing], Coroutine[Any, Any, Any]],
    change: Callable[[Settings], Settings] = lambda settings: settings,
) -> Told:
    """Do some focusing with a stand-in, on virtual time."""
    events: list[Event] = []

    async def run() -> Told:
        clock = LoopClock(START_S)
        log = Log(clock)
        settings = change(demo()[0])
        with Ledger(out / FILE_NAME) as ledger, log.listen(lambda _, event: events.append(event)):
            camera, focuser = cast(Camera, rig), cast(Focuser, rig)
            focusing = Focusing(
                camera, focuser, settings, "2026-11-10", ledger, InLine(0.2), clock, log
            )
            focusing.begin()
            outcome = await work(focusing)
            return Told(
                outcome if isinstance(outcome, list) else [], events, ledger.curves(), focusing
            )

    return run_virtual(run())


async def one_curve(focusing: Focusing) -> list[Curve]:
    return [await focusing.curve("L", "a test")]


def bench(seed: int, **said: Any) -> Bench:
    return Bench(np.random.default_rng(seed), **said)


@pytest.mark.parametrize("seed", range(4))
def test_a_curve_ends_at_the_focus(tmp_path: Path, seed: int) -> None:
    """Within a quarter of the critical focus zone, approached from below."""
    rig = StandIn(bench(seed, best_steps=10_060.0 + 20 * seed))
    told = focused(tmp_path, rig, one_curve)
    assert told.curves[0].refusal is None
    assert rig.position_steps == pytest.approx(rig.bench.best_steps, abs=QUARTER_STEPS)
    assert rig.visited[-2] <= rig.position_steps - 80  # the configured backlash
    (entry,) = told.entries
    assert entry.accepted
    assert len(entry.star_counts) == len(entry.positions_steps) == 9
    assert entry.radius_px == pytest.approx(told.curves[0].radius_px)


def test_too_few_stars_ask_for_longer_exposures(tmp_path: Path) -> None:
    """Stars a hundred times fainter: the exposures grow until there are enough of them."""
    rig = StandIn(bench(3), light=lambda _: 0.02)
    told = focused(tmp_path, rig, one_curve)
    assert told.curves[0].refusal is None
    assert told.entries[-1].exposures_s[-1] > 4.0
    assert rig.position_steps == pytest.approx(rig.bench.best_steps, abs=QUARTER_STEPS)


def test_exposures_that_were_longer_than_need_be_become_short_again(tmp_path: Path) -> None:
    """After a poor field a rich one: halved after each curve, down to what is configured."""
    rig = StandIn(bench(3, stars=300), light=lambda _: 0.02)

    async def poor_then_rich(focusing: Focusing) -> None:
        await focusing.curve("L", "a poor field")
        rig.light = lambda _: 1.0
        for _ in range(5):
            await focusing.curve("L", "a rich field")

    entries = focused(tmp_path, rig, poor_then_rich).entries
    longest = [max(entry.exposures_s) for entry in entries]
    assert longest[0] > 4.0
    assert longest[-1] == 4.0
    assert all(entry.accepted for entry in entries[1:])


def test_points_under_a_cloud_are_repeated(tmp_path: Path) -> None:
    """Two magnitudes of cloud over three points: they are taken again, and again the same way."""
    rig = StandIn(
        bench(5, best_steps=10_090.0), light=lambda frame: 0.15 if 4 <= frame <= 6 else 1.0
    )
    told = focused(tmp_path, rig, one_curve)
    assert told.curves[0].refusal is None
    assert rig.frames == 9 + 3 + 1  # and the one that confirms
    assert min(told.entries[-1].star_counts) > 20
    assert rig.position_steps == pytest.approx(rig.bench.best_steps, abs=QUARTER_STEPS)


def test_a_cloud_that_stays_is_named_and_the_focuser_goes_back(tmp_path: Path) -> None:
    rig = StandIn(bench(6, best_steps=10_090.0), light=lambda n: 1.0 if n < 4 or n == 9 else 0.0)
    told = focused(tmp_path, rig, one_curve)
    assert told.curves[0].refusal is Refusal.CLOUDED
    assert rig.position_steps == 10_100
    assert told.entries[-1].refusal


def test_a_focuser_that_does_not_move_is_reported(tmp_path: Path) -> None:
    rig = StandIn(bench(7), moves=False)
    told = focused(tmp_path, rig, one_curve)
    assert told.curves[0].refusal is Refusal.UNMOVED
    assert rig.position_steps == 10_100
    assert [type(event) for event in told.events] == [e.FocuserUnmoved, e.FocusCurve]
    assert [entry.accepted for entry in told.entries] == [False] * len(told.entries)


def test_more_backlash_than_is_taken_up_is_measured(tmp_path: Path) -> None:
    """80 steps are configured and half as much again is taken up; the gears have 180.

    The first curve of all is begun from so far away that no play is left, and is a good one; the
    frame at its vertex shows the rest. The focuser ends in focus all the same. With 100 steps
    nothing is amiss.
    """
    rig = StandIn(bench(11, best_steps=10_060.0), play_steps=180)
    told = focused(tmp_path / "loose", rig, one_curve)
    assert [entry.refusal for entry in told.entries] == [""] * len(told.entries)
    assert told.curves[0].refusal is None
    (found,) = (event for event in told.events if isinstance(event, e.BacklashFound))
    assert found.configured_steps == 80
    assert found.found_steps == pytest.approx(180, abs=10)
    assert rig.drawtube_steps == pytest.approx(rig.bench.best_steps, abs=QUARTER_STEPS)

    rig = StandIn(bench(11, best_steps=10_060.0), play_steps=100)
    told = focused(tmp_path / "held", rig, one_curve)
    assert told.curves[0].refusal is None
    assert rig.drawtube_steps == pytest.approx(rig.bench.best_steps, abs=QUARTER_STEPS)
    assert not [event for event in told.events if isinstance(event, e.BacklashFound)]


def test_a_focus_that_moved_behind_its_curve_is_looked_for_again(tmp_path: Path) -> None:
    """Somebody touches the tube after the ninth frame: no backlash is blamed, a curve follows."""
    rig = StandIn(bench(12, best_steps=10_060.0))

    def moved(frame: int) -> float:
        if frame == 10:
            rig.bench.best_steps += 60.0
        return 1.0

    rig.light = moved
    told = focused(tmp_path, rig, one_curve)
    kinds = [type(event) for event in told.events if not isinstance(event, e.OffsetsAdopted)]
    assert kinds == [e.FocusCurve, e.FocusUnconfirmed, e.FocusCurve]
    assert rig.drawtube_steps == pytest.approx(rig.bench.best_steps, abs=QUARTER_STEPS)


def test_the_next_night_begins_with_what_was_measured(tmp_path: Path) -> None:
    """The ledger knows of 180 steps; nothing is measured again, and the focus is right."""
    rig = StandIn(bench(11, best_steps=10_060.0), play_steps=180)
    known = FocuserBacklash("2026-11-09", datetime(2026, 11, 9, 20, tzinfo=UTC), 80, 180.0, 2.0)
    with Ledger(tmp_path / FILE_NAME) as ledger:
        ledger.add_backlash(known)
        assert ledger.backlash() == known
    told = focused(tmp_path, rig, one_curve)
    assert [type(event) for event in told.events] == [e.BacklashRecalled, e.FocusCurve]
    assert rig.drawtube_steps == pytest.approx(rig.bench.best_steps, abs=QUARTER_STEPS)


def test_a_refused_curve_leaves_the_last_good_position(tmp_path: Path) -> None:
    """After a good curve, one without a star: by clouds, and nobody looks for it far away."""
    rig = StandIn(bench(8))

    async def twice(focusing: Focusing) -> list[Curve]:
        first = await focusing.curve("L", "a test")
        good = rig.position_steps
        rig.light = lambda _: 0.0
        second = await focusing.curve("L", "another")
        assert rig.position_steps == good
        return [first, second]

    told = focused(tmp_path, rig, twice)
    assert [curve.refusal for curve in told.curves] == [None, Refusal.CLOUDED]
    assert [entry.reason for entry in told.entries].count("another") == 1
    last = told.events[-1]
    assert isinstance(last, e.FocusCurve)
    assert last.radii_px == [None] * 9


def test_a_refused_curve_is_asked_for_again(tmp_path: Path) -> None:
    """Five minutes later, then ten; not after a good one."""
    rig = StandIn(bench(12, best_steps=10_090.0))

    async def due_after_s(focusing: Focusing) -> int:
        for number in range(1000):
            if focusing.watch.due().startswith("the last curve was refused"):
                return 10 * number
            await asyncio.sleep(10.0)
        return -1

    async def clouds_come_and_go(focusing: Focusing) -> list[Curve]:
        curves, waits = [], []
        for clear_frames in (4, 4, 9):
            last = rig.frames + clear_frames
            rig.light = partial(lambda last, frame: float(frame <= last), last)
            curves.append(await focusing.curve("L", "a test"))
            waits.append(await due_after_s(focusing))
        assert waits == [300, 600, -1]
        return curves

    told = focused(tmp_path, rig, clouds_come_and_go)
    assert [curve.refusal for curve in told.curves] == [Refusal.CLOUDED, Refusal.CLOUDED, None]


def sloping(settings: Settings) -> Settings:
    """Focus moves with the temperature, and nothing sways."""
    focuser = settings.observatory.focuser.model_copy(update={"slope_steps_per_c": -7.0})
    focus = settings.policies.focus.model_copy(update={"sway_growth_percent": 0.0})
    return replace(
        settings,
        observatory=settings.observatory.model_copy(update={"focuser": focuser}),
        policies=settings.policies.model_copy(update={"focus": focus}),
    )


def test_the_temperature_moves_the_focuser_when_it_matters(tmp_path: Path) -> None:
    """A predicted shift within a quarter of the zone is left alone; one beyond it is followed."""
    rig = StandIn(bench(9))

    async def cooling(focusing: Focusing) -> None:
        await focusing.curve("L", "a test")
        found = rig.position_steps
        rig.temperature_c = 5.0
        assert focusing.in_place("L")
        rig.temperature_c = 4.5
        assert not focusing.in_place("L")
        await focusing.follow("L")
        assert rig.position_steps == pytest.approx(found + 7.0 * 1.5, abs=1)
        rig.temperature_c = None  # a probe that fell silent moves nothing more
        assert focusing.position_steps("L") == pytest.approx(found + 7.0 * 1.5, abs=1)

    focused(tmp_path, rig, cooling, sloping)


def test_subs_are_taken_on_either_side_of_best_focus_by_turns(tmp_path: Path) -> None:
    """By no more than a sixth of the critical focus zone."""
    rig = StandIn(bench(9))
    taken: list[int] = []

    async def subs(focusing: Focusing) -> None:
        await focusing.curve("L", "a test")
        best = focusing.position_steps("L")
        assert rig.position_steps == best, "a curve ends at its vertex"
        for number in range(4):
            await focusing.follow("L")
            assert focusing.in_place("L")
            taken.append(rig.position_steps - best)
            focusing.sub_begins(f"{number}", "L", 120.0)
            assert not focusing.in_place("L"), "the next one is due on the other side"

    focused(tmp_path, rig, subs)
    assert taken == [taken[0], -taken[0]] * 2
    assert 2 <= abs(taken[0]) <= 67.1 / 2.0 / 6


def test_good_learned_offsets_replace_configured_ones(tmp_path: Path) -> None:
    """At the beginning of the next night; filters that no curve was taken through keep theirs."""

    async def measured(focusing: Focusing) -> list[Curve]:
        curves = []
        for name, true in (("L", 0), ("R", 35), ("R", 35), ("L", 0)):
            rig.bench.best_steps = 10_050.0 + true
            curves.append(await focusing.curve(name, "a test"))
        return curves

    async def nothing(focusing: Focusing) -> None:
        away = focusing.position_steps("R") - focusing.position_steps("L")
        assert away == pytest.approx(35, abs=QUARTER_STEPS)
        assert focusing.position_steps("Ha") - focusing.position_steps("L") == 47  # as configured

    rig = StandIn(bench(10))
    focused(tmp_path, rig, measured)
    told = focused(tmp_path, rig, nothing)
    adopted, recalled = told.events
    assert isinstance(adopted, e.OffsetsAdopted)
    assert isinstance(recalled, e.FocusRecalled)  # to the focusing it is the same night
    assert recalled.position_steps == pytest.approx(10_050, abs=QUARTER_STEPS)
    assert set(adopted.offsets_steps) == {"L", "R"}
    assert "Ha" in adopted.kept


def test_a_night_that_begins_far_out_of_focus_finds_it(tmp_path: Path) -> None:
    """150 critical focus zones away, where no frame can be solved at first."""
    settings, rig = demo(targets={"L": 120.0}, guide_s=SELDOM_S)
    focus = rig.focus.model_copy(update={"base_steps": rig.focus.base_steps + 5000})
    story = live(tmp_path, (settings, rig.model_copy(update={"focus": focus})), hours=0.4)
    first = story.of(e.FocusCurve)[0]
    assert (first.reason, first.accepted) == ("nothing could be solved", True)
    # 10 °C at the zenith, and a slope of −7 steps/°C; flexure is below 6 steps.
    expected = focus.base_steps + focus.slope_steps_per_c * (first.temperature_c - 10.0)
    assert first.vertex_steps == pytest.approx(expected, abs=20)
    assert story.of(e.FrameAccepted)
    assert story.played.violations == []


@pytest.mark.parametrize("tilt_steps", [0.0, -40.0])
def test_a_tilted_sensor_is_told_of(tmp_path: Path, tilt_steps: float) -> None:
    """By its frames: 40 steps across it are 1.2 critical focus zones."""
    rig = StandIn(bench(3, stars=400, tilt_steps=tilt_steps))
    told = focused(tmp_path, rig, one_curve)
    (curve,) = [event for event in told.events if isinstance(event, e.FocusCurve)]
    assert curve.tilt_columns_steps == pytest.approx(tilt_steps, abs=8.0)
    assert curve.tilt_rows_steps == pytest.approx(0.0, abs=8.0)
