"""Calibration frames against the weather, the Sun, persons, and a panel that was left on."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from night.nights import demo
from night.shelves import FEW, lights
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.calibrate import calibrate, calibrates
from nightloom.night.context import Context
from nightloom.night.flats import take_panel_flats
from nightloom.night.interrupts import Day, Unsafe, day, unless, unsafe
from nightloom.night.phases import Phase
from nightloom.night.ready import connect_safety, cool, open_up
from nightloom.night.shelter import shelter
from nightloom.requests import Retire
from nightloom.safety import make_safe
from nightloom.telemetry.events import CalibrationFrameKept, CalibrationLeft
from safety.guarded import EVENING_S, MEASURED_S, Scene, context_of, guarded, sun_at

Told = Callable[[Scene, Context], Awaitable[None]]

RAIN_S = 1800.0
EVERY = ("bias", "dark", "flat")


@asynccontextmanager
async def owned(context: Context) -> AsyncIterator[None]:
    async with asyncio.TaskGroup() as group:
        context.guiding.begin(group)
        context.pipeline.begin(group)
        yield
        await context.guiding.stop("the story is over")
        context.pipeline.stop()


def on_the_rig(
    out: Path, told: Told, at_s: float = EVENING_S, exposure_s: float = 60.0, **policy: Any
) -> None:
    """Tell a story with lights in L and Ha of the evening before, which lack everything."""
    lights(out, "L", "Ha", exposure_s=exposure_s)
    policies = {"calibration": {**FEW, "night_takes": EVERY, **policy}}

    async def story(scene: Scene) -> None:
        with Ledger(out / FILE_NAME) as ledger:
            context = context_of(scene, ledger)
            async with owned(context):
                await told(scene, context)

    guarded(story, changed=demo(policies=policies), at_s=at_s)


async def until(true: Callable[[], bool]) -> None:
    """Wait for something in the simulated world, which has no events for it."""
    for _ in range(3600):
        if true():
            return
        await asyncio.sleep(1.0)
    raise AssertionError("it never came")


async def closed_and_cold(context: Context) -> None:
    await connect_safety(context)
    await make_safe(context.guard, context.log)
    await context.rig.connect(10.0)
    await cool(context)


@pytest.mark.parametrize(("opened", "raises"), [(True, True), (False, False)])
def test_the_rising_sun_ends_it_when_the_rig_is_open(
    tmp_path: Path, opened: bool, raises: bool
) -> None:
    async def told(scene: Scene, context: Context) -> None:
        if opened:
            await scene.open_and_free()
        else:
            await connect_safety(context)
            await make_safe(context.guard, context.log)
        begun_s = scene.true.unix_s()
        try:
            async with asyncio.timeout(900.0):
                with pytest.raises(Day):
                    await day(context)
            assert raises
            assert scene.true.unix_s() - begun_s < 600.0
        except TimeoutError:
            assert not raises

    on_the_rig(tmp_path, told, at_s=sun_at(-2.0, rising=True))


def test_the_roof_stays_closed_over_flats_of_the_sky_in_bad_weather(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await closed_and_cold(context)
        scene.faults.rain(for_s=2 * 3600.0)
        await asyncio.sleep(MEASURED_S)
        moves = len(scene.moves("Rig Roof"))
        assert (await calibrate(context)).phase is Phase.RETIRING
        assert len(scene.moves("Rig Roof")) == moves
        assert scene.left_as == "parked, closed"
        (left,) = scene.of(CalibrationLeft)
        assert "no flats of the sky" in left.reason
        kinds = {event.kind for event in scene.of(CalibrationFrameKept)}
        assert kinds == {"bias", "dark"}

    on_the_rig(tmp_path, told, at_s=sun_at(-11.0, rising=True), flats_of="sky")


def test_rain_over_flats_of_the_sky_cuts_them_short(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await closed_and_cold(context)
        watched = unless([unsafe(context)], calibrate(context))
        work = asyncio.create_task(watched)
        await until(lambda: scene.opening == 1.0)
        scene.faults.rain(for_s=3600.0)
        with pytest.raises(Unsafe):
            async with asyncio.timeout(MEASURED_S):
                await work
        await make_safe(context.guard, context.log)
        assert scene.left_as == "parked, closed"

    on_the_rig(tmp_path, told, at_s=sun_at(-10.5, rising=True), flats_of="sky", biases=0, darks=0)


def test_sheltering_takes_darks_until_the_weather_is_safe(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await closed_and_cold(context)
        dry_s = scene.faults.rain(for_s=RAIN_S) + RAIN_S
        await asyncio.sleep(MEASURED_S)
        assert (await shelter(context)).phase is Phase.READYING
        wait_s = context.settings.policies.weather.wait_safe_s
        assert scene.true.unix_s() - dry_s <= wait_s + 1200.0
        kept = [event.kind for event in scene.of(CalibrationFrameKept)]
        assert kept[:3] == ["bias"] * 3
        assert 0 < kept.count("dark") < 200
        assert context.rig.camera.running is None

    on_the_rig(tmp_path, told, exposure_s=300.0, darks=200)


def test_a_person_who_asks_for_the_end_gets_no_calibration_frames(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await closed_and_cold(context)
        assert calibrates(context)
        context.account.phase = Phase.RETIRING.value
        context.desk.take(Retire(), "a person")
        assert not calibrates(context)

    on_the_rig(tmp_path, told)


def test_a_night_that_is_asked_for_none_takes_none(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await closed_and_cold(context)
        assert not calibrates(context)

    on_the_rig(tmp_path, told, night_takes=())


def test_a_panel_is_dark_when_its_flats_are_cut_short(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await closed_and_cold(context)
        taking = asyncio.create_task(take_panel_flats(context))
        await until(lambda: scene.rig.world.panel.is_on)
        taking.cancel()
        await asyncio.wait([taking])
        assert not scene.rig.world.panel.is_on

    on_the_rig(tmp_path, told)


@pytest.mark.parametrize("refuses", [False, True])
def test_a_panel_that_was_left_on_is_dark_before_the_roof_opens(
    tmp_path: Path, refuses: bool
) -> None:
    """One that does not go dark costs no night."""

    async def told(scene: Scene, context: Context) -> None:
        await closed_and_cold(context)
        assert context.rig.light_panel is not None
        await context.rig.light_panel.connect()
        await context.rig.light_panel.on(255.0)
        if refuses:
            scene.faults.refuses("Rig Light Panel", "FLAT_LIGHT_CONTROL")
        await open_up(context)
        assert scene.opening == 1.0
        assert scene.rig.world.panel.is_on == refuses

    on_the_rig(tmp_path, told)
