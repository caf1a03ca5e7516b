"""The phases that make the rig ready and safe, and what watches them, each by itself on the rig."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import ExitStack, asynccontextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from math import nan
from pathlib import Path
from typing import cast

import pytest

from night.nights import NIGHT, demo
from nightloom.daemon import Daemon
from nightloom.executor import InLine, NotComputed, Workers
from nightloom.faults import Act, Kind, Part, Row, row_for, row_of, wait_s
from nightloom.frames import HeaderFacts
from nightloom.ledger import FILE_NAME, Ledger, Stage, Sub
from nightloom.night.context import Context
from nightloom.night.gather import gather
from nightloom.night.hold import hold_out
from nightloom.night.interrupts import (
    Operator,
    TurnedTooFar,
    Unsafe,
    limit,
    operator,
    unsafe,
)
from nightloom.night.night import ENDED, GIVEN_UP, LEFT, Night
from nightloom.night.phases import Phase
from nightloom.night.ready import ready
from nightloom.night.retire import retire, strand
from nightloom.night.shelter import shelter
from nightloom.report import Sources
from nightloom.requests import Done, Reload
from nightloom.safety import GuardRefusal, NotSafe
from nightloom.settings import Problem, Settings, SettingsError
from nightloom.telemetry import Event
from nightloom.telemetry import events as e
from nightloom.telemetry.nights import log_file
from nightloom_drivers.devices import CameraFrame, Exposure
from nightloom_drivers.errors import DeviceGone, DeviceLate
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.link.indi import IndiLink
from nightloom_drivers.simulators.rig import CAMERA, DUST_CAP, MOUNT, ROOF
from safety.guarded import EVENING_S, MEASURED_S, Scene, context_of, guarded, sun_at, with_

Told = Callable[[Scene, Context], Awaitable[None]]

RAIN_S = 1800.0

GUARD = cast(Row, row_for(Act.NIGHT, Part.GUARD, Kind.REFUSED))


@asynccontextmanager
async def owned(context: Context) -> AsyncIterator[None]:
    """Let the guide loop and the frames in hand run as they do in a night."""
    async with asyncio.TaskGroup() as crew:
        context.guiding.begin(crew)
        context.pipeline.begin(crew)
        yield
        context.pipeline.stop()


def on_the_rig(out: Path, told: Told, **said: object) -> None:
    """Tell a story of a phase."""

    async def story(scene: Scene) -> None:
        with Ledger(out / FILE_NAME) as ledger:
            context = context_of(scene, ledger)
            async with owned(context):
                await told(scene, context)

    guarded(story, **said)  # type: ignore[arg-type]


async def open_and_tracking(scene: Scene) -> None:
    await scene.open_and_free()
    await asyncio.sleep(1.0)
    await scene.look_at(-2.0, 40.0)


# Sheltering -----------------------------------------------------------------------------------


def test_sheltering_parks_closes_and_waits_for_weather_that_stays_safe(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await open_and_tracking(scene)
        dry_s = scene.faults.rain(for_s=RAIN_S) + RAIN_S
        await asyncio.sleep(MEASURED_S)
        sheltering = asyncio.create_task(shelter(context))
        await asyncio.sleep(120.0)
        assert scene.left_as == "parked, closed"
        assert (await sheltering).phase is Phase.READYING
        safe_for_s = scene.true.unix_s() - dry_s
        wait_s = context.settings.policies.weather.wait_safe_s
        assert wait_s - 1.0 <= safe_for_s <= wait_s + 1200.0
        assert scene.left_as == "parked, closed"

    on_the_rig(tmp_path, told)


def test_sheltering_reaches_for_a_station_that_was_never_there(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await scene.guard.connect_mount()
        await scene.guard.connect_roof()
        scene.faults.station_gone()
        sheltering = asyncio.create_task(shelter(context))
        await asyncio.sleep(300.0)
        assert not sheltering.done()
        scene.faults.heal("Rig Weather")
        async with asyncio.timeout(3 * 3600.0):
            assert (await sheltering).phase is Phase.READYING

    on_the_rig(tmp_path, told)


@pytest.mark.parametrize("phase", [shelter, retire])
@pytest.mark.parametrize("fault", ["dead", "refuses", "sticks"])
def test_a_dust_cap_holds_up_neither_sheltering_nor_retiring(
    tmp_path: Path, fault: str, phase: Callable[[Context], Awaitable[object]]
) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await context.rig.connect(10.0)
        await open_and_tracking(scene)
        if fault == "dead":
            scene.faults.dead(DUST_CAP)
        elif fault == "refuses":
            scene.faults.refuses(DUST_CAP, "CAP_PARK")
        else:
            scene.faults.cap_sticks()
        async with asyncio.timeout(6 * 3600.0):
            await phase(context)
        assert scene.left_as == "parked, closed"

    on_the_rig(tmp_path, told)


# Retiring and stranded ------------------------------------------------------------------------


class Slow:
    """Stands in for an exposure whose frame takes minutes to come, and then does not."""

    async def frame(self) -> CameraFrame:
        await asyncio.sleep(290.0)
        raise DeviceLate("Camera", "CCD1", asked="a dark of 5 s", seen="no frame")


def test_retiring_parks_and_closes_and_warms_the_sensor(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await context.rig.connect(10.0)
        await open_and_tracking(scene)
        await context.rig.camera.cool(-10.0, 20.0, 900.0)
        assert (await retire(context)).phase is Phase.ASLEEP
        assert scene.left_as == "parked, closed"
        assert [type(event) for event in scene.heard].count(e.SensorWarmed) == 1
        assert (context.rig.camera.temperature_c or nan) > 0.0

    on_the_rig(tmp_path, told)


def test_retiring_waits_for_the_frame_in_hand(tmp_path: Path) -> None:
    """Also where neither the mount, the roof nor the sensor take any time."""

    async def told(scene: Scene, context: Context) -> None:
        begun = datetime.fromtimestamp(scene.true.unix_s(), UTC)
        sub = Sub("n-0001", str(NIGHT), "", "", 5.0, 1, begun, kind=FrameKind.DARK)
        facts = HeaderFacts(kind=FrameKind.DARK, exposure_s=5.0)
        await context.rig.connect(10.0)
        await retire(context)
        context.ledger.begin_sub(sub)
        context.pipeline.take(replace(sub, stage=Stage.CLOSED), facts, cast(Exposure, Slow()))
        assert (await retire(context)).phase is Phase.ASLEEP
        assert not context.pipeline.busy
        assert context.ledger.in_flight() == []

    on_the_rig(tmp_path, told)


@pytest.mark.parametrize("phase", [shelter, retire])
def test_a_rig_that_cannot_be_made_safe_ends_no_phase_in_peace(
    tmp_path: Path, phase: Callable[[Context], Awaitable[object]]
) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await context.rig.connect(10.0)
        await open_and_tracking(scene)
        scene.faults.park_sticks(alert=True)
        failed: BaseException | None = None
        try:
            await phase(context)
        except BaseExceptionGroup as several:
            failed = several.exceptions[0]
        assert isinstance(failed, NotSafe)
        assert not scene.is_tracking

    on_the_rig(tmp_path, told)


def test_stranded_waits_a_minute_and_for_the_link(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        began_s = scene.true.unix_s()
        gone = asyncio.create_task(scene.faults.server_gone(600.0))
        await asyncio.sleep(1.0)
        assert (await strand(context)).phase is Phase.RETIRING
        assert scene.true.unix_s() - began_s >= 600.0 + row_of(Act.STRANDED).wait_s
        await gone

    on_the_rig(tmp_path, told)


# Readying -------------------------------------------------------------------------------------


def test_readying_in_rain_opens_nothing(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        scene.faults.rain()
        await asyncio.sleep(1.0)
        assert (await ready(context)).phase is Phase.SHELTERING
        assert scene.opening == 0.0
        assert scene.moves(ROOF) == []

    on_the_rig(tmp_path, told)


def test_readying_hours_before_anything_is_due_parks_and_closes(tmp_path: Path) -> None:
    """The roof was left open and the mount tracking, as by a person in the afternoon."""

    async def told(scene: Scene, context: Context) -> None:
        await open_and_tracking(scene)
        readying = asyncio.create_task(ready(context))
        await asyncio.sleep(300.0)
        assert scene.left_as == "parked, closed"
        await asyncio.sleep(1800.0)
        assert scene.left_as == "parked, closed"
        assert not readying.done()
        readying.cancel()

    on_the_rig(tmp_path, told, at_s=sun_at(20.0))


def test_readying_in_the_dark_opens_over_a_parked_mount_and_frees_it(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await scene.guard.connect_mount()
        await scene.devices.mount.unpark()
        scene.told.clear()
        assert (await ready(context)).phase is Phase.ACQUIRING
        assert scene.opening == 1.0
        roof = [told for told in scene.told if told.device == ROOF and told.name == "DOME_SHUTTER"]
        assert roof
        assert all(told.parked for told in roof)
        assert not scene.is_parked

    on_the_rig(tmp_path, told)


def test_readying_has_the_mount_stand_still_while_a_device_is_waited_for(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await open_and_tracking(scene)
        scene.faults.dead(CAMERA)
        readying = asyncio.create_task(ready(context))
        await asyncio.sleep(8.0)
        assert not readying.done()
        assert not scene.is_tracking
        with pytest.raises(DeviceGone):
            await readying

    on_the_rig(tmp_path, told)


# Holding --------------------------------------------------------------------------------------


def test_holding_without_guide_stars_looks_again_after_a_while(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        began_s = scene.true.unix_s()
        assert (await hold_out(context)).phase is Phase.ACQUIRING
        recheck_s = context.settings.policies.clouds.recheck_s
        assert scene.true.unix_s() - began_s == pytest.approx(recheck_s, abs=1.0)

    on_the_rig(tmp_path, told)


# Watchers -------------------------------------------------------------------------------------


def test_the_watch_on_the_weather_raises_in_rain_and_in_silence(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await open_and_tracking(scene)
        scene.faults.rain(in_s=100.0, for_s=600.0)
        async with asyncio.timeout(100.0 + MEASURED_S):
            with pytest.raises(Unsafe):
                await unsafe(context)
        await asyncio.sleep(3600.0)
        scene.faults.station_silent()
        async with asyncio.timeout(300.0):
            with pytest.raises(Unsafe, match="silent"):
                await unsafe(context)

    on_the_rig(tmp_path, told)


def test_the_watch_on_the_pier_raises_at_the_limit(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        await context.guard.slew(*scene.place(-0.05, 50.0))
        async with asyncio.timeout(1800.0):
            with pytest.raises(TurnedTooFar):
                await limit(context)
        assert not scene.is_tracking

    on_the_rig(tmp_path, told, changed=with_(mount={"hour_angle_pier_west_h": (-6.5, 0.05)}))


def test_the_watch_on_the_person_raises_when_asked(tmp_path: Path) -> None:
    async def told(scene: Scene, context: Context) -> None:
        context.stop.set()
        async with asyncio.timeout(1.0):
            with pytest.raises(Operator):
                await operator(context)

    on_the_rig(tmp_path, told)


# A night --------------------------------------------------------------------------------------


def night_of_trouble(
    out: Path, gathering: Callable[[Scene, Context], Awaitable[None]], **said: object
) -> list[Event]:
    """The events of a night in which gathering does something else than subs."""
    heard: list[Event] = []

    async def story(scene: Scene) -> None:
        with Ledger(out / FILE_NAME) as ledger:
            context = context_of(scene, ledger)

            async def instead(context: Context) -> object:
                await gathering(scene, context)
                context.stop.set()
                return await asyncio.get_running_loop().create_future()

            async with asyncio.timeout(20 * 3600.0):
                await Night(context, instead).run()  # type: ignore[arg-type]
            ended = ledger.last_act("night")
            assert ended is not None
            assert ended.outcome in (ENDED, GIVEN_UP, LEFT)
            assert scene.left_as == "parked, closed"
            heard.extend(scene.heard)

    guarded(story, **said)  # type: ignore[arg-type]
    return heard


def phases(heard: list[Event]) -> list[str]:
    return [event.after for event in heard if isinstance(event, e.PhaseChanged)]


def test_a_mount_that_does_not_park_strands_the_night_and_a_person_is_called(
    tmp_path: Path,
) -> None:
    async def gathering(scene: Scene, _: Context) -> None:
        scene.faults.park_sticks(3, alert=True)

    heard = night_of_trouble(tmp_path, gathering)
    assert phases(heard)[-4:] == ["retiring", "stranded", "retiring", "asleep"]
    assert any(isinstance(event, e.PersonNeeded) for event in heard)


def test_a_mistake_of_the_daemon_ends_the_night_safe_and_is_raised(tmp_path: Path) -> None:
    async def gathering(_: Scene, __: Context) -> None:
        raise KeyError("a mistake")

    with pytest.raises(KeyError):
        night_of_trouble(tmp_path, gathering)


def test_each_trouble_is_rested_from_and_too_much_of_it_ends_the_night(tmp_path: Path) -> None:
    troubles_s: list[float] = []
    readied_s: list[float] = []

    async def gathering(scene: Scene, _: Context) -> None:
        def hear(_: object, event: Event) -> None:
            if isinstance(event, e.PhaseChanged) and event.after == "readying":
                readied_s.append(scene.true.unix_s())

        if not troubles_s:
            listening.enter_context(scene.log.listen(hear))
        troubles_s.append(scene.true.unix_s())
        raise GuardRefusal("slewing", "told to refuse")

    with ExitStack() as listening:
        heard = night_of_trouble(tmp_path, gathering)
    tries = int(GUARD.tries)
    assert phases(heard).count("readying") == tries
    rests_s = [then - now for now, then in zip(troubles_s, readied_s, strict=False)]
    assert rests_s == pytest.approx([wait_s(GUARD, n) for n in range(1, tries)], abs=1.0)
    (given_up,) = (event for event in heard if isinstance(event, e.GivenUp))
    assert (given_up.part, given_up.tries, given_up.then) == ("guard", tries, "retire")
    assert "told to refuse" in given_up.reason


def test_a_worker_that_comes_to_no_answer_again_and_again_ends_the_only_target(
    tmp_path: Path,
) -> None:
    async def gathering(_: Scene, __: Context) -> None:
        raise NotComputed("measure_frame", "its worker died")

    heard = night_of_trouble(tmp_path, gathering)
    row = cast(Row, row_for(Act.NIGHT, Part.COMPUTER, Kind.NOT_COMPUTED))
    (given_up,) = (event for event in heard if isinstance(event, e.GivenUp))
    assert (given_up.part, given_up.tries, given_up.then) == ("computer", row.tries, "retire")


@pytest.mark.parametrize("device", [CAMERA, MOUNT])
def test_a_power_switch_is_used_for_a_camera_and_never_for_a_mount(
    tmp_path: Path, device: str
) -> None:
    """The camera hangs until its power was cut; a mount comes back for a person."""
    began: list[Scene] = []

    async def gathering(scene: Scene, _: Context) -> None:
        if began:
            return
        began.append(scene)
        scene.faults.hung(device)
        if device == MOUNT:
            asyncio.get_running_loop().call_later(1200.0, scene.faults.heal, MOUNT)
        raise DeviceLate(device, "CONNECTION", asked="to last", seen="it hangs")

    heard = night_of_trouble(tmp_path, gathering)
    gave_up = [event.part for event in heard if isinstance(event, e.GivenUp)]
    if device == CAMERA:
        assert began[0].rig.world.outlets.cuts(CAMERA) == 1
        assert gave_up == []
        assert phases(heard).count("gathering") == 2
    else:
        assert began[0].rig.world.outlets.cuts(MOUNT) == 0
        assert gave_up == ["mount"]


def test_trouble_that_was_recovered_does_not_count_against_parking(tmp_path: Path) -> None:
    """As often as the guard's row allows but one; then parking fails once and is tried again."""

    async def gathering(scene: Scene, _: Context) -> None:
        if phases(scene.heard).count("gathering") < GUARD.tries:
            raise GuardRefusal("slewing", "told to refuse")
        scene.faults.park_sticks(1, alert=True)

    heard = night_of_trouble(tmp_path, gathering)
    assert "stranded" not in phases(heard)
    assert not [event for event in heard if isinstance(event, e.GivenUp)]


def test_rain_cuts_short_the_rest_after_trouble(tmp_path: Path) -> None:
    """The fourth rest lasts 40 s, and the station measures rain two seconds into it."""
    at_s: dict[str, float] = {}

    async def gathering(scene: Scene, _: Context) -> None:
        if "sheltering" in at_s:
            return
        if phases(scene.heard).count("readying") == 4:
            (station,) = scene.devices.weather
            await station.news()
            scene.faults.rain(in_s=30.0)
            await asyncio.sleep(58.0)
            at_s["trouble"] = scene.true.unix_s()

            def hear(_: object, event: Event) -> None:
                if isinstance(event, e.PhaseChanged) and event.after == "sheltering":
                    at_s.setdefault("sheltering", scene.true.unix_s())

            listening.enter_context(scene.log.listen(hear))
        raise GuardRefusal("slewing", "told to refuse")

    with ExitStack() as listening:
        night_of_trouble(tmp_path, gathering)
    assert at_s["sheltering"] - at_s["trouble"] < 10.0


# The next night -------------------------------------------------------------------------------


@pytest.mark.parametrize(("outcome", "days"), [(ENDED, 1), ("the daemon had ended", 0)])
def test_a_night_that_ended_is_not_armed_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, outcome: str, days: int
) -> None:
    """And it has its report written, if the daemon that ended it did not live to."""
    armed: list[date] = []
    reported: list[date] = []

    async def write(sources: Sources, file: Path) -> str:
        reported.append(sources.night)
        return "written"

    monkeypatch.setattr("nightloom.report.morning.write_apart", write)
    log = log_file(tmp_path, NIGHT)
    log.parent.mkdir()
    log.touch()

    async def story(scene: Scene) -> None:
        with Ledger(tmp_path / FILE_NAME) as ledger:
            now = scene.clock.now()
            ledger.finish(ledger.begin("night", {"night": str(NIGHT)}, now), outcome, now)
            stop = asyncio.Event()

            def hear(_: object, event: Event) -> None:
                if isinstance(event, e.NightArmed):
                    armed.append(date.fromisoformat(event.night))
                    stop.set()

            link, workers = cast(IndiLink, scene.rig.link), cast(Workers, InLine())
            daemon = Daemon(
                scene.settings, link, ledger, scene.log, scene.clock, workers, stop, gather
            )
            with scene.log.listen(hear):
                await daemon.stay_up(1, None)
            assert scene.left_as == "parked, closed"

    settings, rig = demo()
    astrometry = settings.observatory.solver.model_copy(update={"kind": "astrometry"})
    changed = with_()
    here = {"solver": astrometry, "output_folder": tmp_path}
    observatory = changed[0].observatory.model_copy(update=here)
    said = type(settings)(observatory, settings.targets, settings.policies, rig)
    guarded(story, changed=(said, rig), at_s=EVENING_S)
    assert armed == [NIGHT + timedelta(days=days)]
    assert reported == ([NIGHT] if outcome == ENDED else [])


def test_a_configuration_that_is_read_again_holds_from_the_next_night_on(tmp_path: Path) -> None:
    """By day it is armed anew, as dusk may be another; what is wrong changes nothing."""
    told: list[str] = []

    async def story(scene: Scene) -> None:
        early = scene.settings.policies.acquire.model_copy(update={"cool_before_s": 3000.0})
        policies = scene.settings.policies.model_copy(update={"acquire": early})
        server = scene.settings.observatory.server.model_copy(update={"port": 1})
        observatory = scene.settings.observatory.model_copy(update={"server": server})
        new = replace(scene.settings, policies=policies, observatory=observatory)
        wrong = Problem("policies.toml", "focus.points", 8, "must be odd")

        def reread() -> Settings:
            if told:
                raise SettingsError([wrong])
            return new

        with Ledger(tmp_path / FILE_NAME) as ledger:
            link, workers = cast(IndiLink, scene.rig.link), cast(Workers, InLine())
            stop = asyncio.Event()
            daemon = Daemon(
                scene.settings, link, ledger, scene.log, scene.clock, workers, stop, gather, reread
            )

            def hear(_: object, event: Event) -> None:
                if isinstance(event, e.NightArmed) and told:
                    stop.set()
                elif isinstance(event, e.NightArmed):
                    for origin in ("user someone", "user else"):
                        answer = daemon.answer(Reload(), origin)
                        told.append(answer.said if isinstance(answer, Done) else str(answer))

            with scene.log.listen(hear):
                await daemon.stay_up(1, None)
        first, second = scene.of(e.NightArmed)
        earlier_s = (first.begins_utc - second.begins_utc).total_seconds()
        assert earlier_s == 3000.0 - scene.settings.policies.acquire.cool_before_s
        taken, refused = scene.of(e.OperatorAsked)
        assert (taken.request, taken.origin, taken.answer) == ("reload", "user someone", told[0])
        assert "The configuration stays as it was. policies.toml: focus.points" in refused.answer

    settings, rig = demo()
    astrometry = settings.observatory.solver.model_copy(update={"kind": "astrometry"})
    observatory = with_()[0].observatory.model_copy(update={"solver": astrometry})
    said = type(settings)(observatory, settings.targets, settings.policies, rig)
    guarded(story, changed=(said, rig), at_s=sun_at(15.0))
    assert told[0] == (
        "Taken from now on: policies.toml: acquire.cool_before_s. Left until the daemon is started"
        " anew: observatory.toml: server.port."
    )


@pytest.mark.parametrize("device", [MOUNT, ROOF])
def test_a_daemon_makes_the_rig_safe_first_whatever_is_missing(tmp_path: Path, device: str) -> None:
    """By day, with the roof open and the mount tracking, and one driver late."""

    async def story(scene: Scene) -> None:
        await open_and_tracking(scene)
        scene.faults.dead(device)
        with Ledger(tmp_path / FILE_NAME) as ledger:
            link, workers = cast(IndiLink, scene.rig.link), cast(Workers, InLine())
            daemon = Daemon(
                scene.settings,
                link,
                ledger,
                scene.log,
                scene.clock,
                workers,
                asyncio.Event(),
                gather,
            )
            staying = asyncio.create_task(daemon.stay_up(0, None))
            await asyncio.sleep(900.0)
            assert scene.of(e.PersonNeeded)
            scene.faults.revive(device)
            await staying
        assert scene.left_as == "parked, closed"

    guarded(story, at_s=sun_at(15.0))
