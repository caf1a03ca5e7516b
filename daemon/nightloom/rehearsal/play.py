"""Playing a rehearsal: on virtual time, or through a real socket."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import ExitStack, asynccontextmanager
from dataclasses import dataclass

from nightloom.errors import FramesNotKept
from nightloom.executor import Executor, InLine, Threads, Workers
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.assembly import build_context
from nightloom.night.context import Context
from nightloom.night.night import Night
from nightloom.night.summary import NightSummary
from nightloom.rehearsal.lives import Life, Lives
from nightloom.rehearsal.observer import ENDED, Finding, Observer, Shot, TakenSub, audit
from nightloom.rehearsal.rehearsal import Rehearsal
from nightloom.rehearsal.troubles import Scene, TroubledDisk, bring_all
from nightloom.rehearsal.witness import Witness
from nightloom.rig import (
    SimulatedRig,
    assemble,
    safety_devices,
    served_link,
    simulated_rig,
    simulated_sky,
)
from nightloom.schedule.costs import bound_fraction
from nightloom.schedule.schedule import Schedule
from nightloom.solving import CatalogueSolver
from nightloom.status import Account
from nightloom.telemetry import Listener, Log
from nightloom.telemetry.outages import outages_told
from nightloom_drivers.clock import (
    Clock,
    LoopClock,
    ScaledTimeLoop,
    WrongClock,
    real_monotonic_s,
)
from nightloom_drivers.link import Link
from nightloom_drivers.simulators.faults import Faults
from nightloom_drivers.virtual_loop import run_virtual

MEASURING_S = 0.2
"""What measuring or solving a frame costs on the night's clock when it is done in line."""

Person = Callable[[Context], Awaitable[None]]
"""Asks something of the night's desk while it goes by, and sees what goes on."""

Meddler = Callable[[SimulatedRig, Clock], Awaitable[None]]
"""Does something to the rig beside the night: cuts the link, moves what should not move."""


@dataclass(frozen=True)
class Played:
    """What a rehearsed night came to: its figures, and what its observer found."""

    summary: NightSummary
    findings: list[Finding]
    unevenness: float
    """The largest distance of a filter from its share over the night, in cycles."""
    subs: list[TakenSub]
    """The subs that left the camera, with what was true of them."""
    shots: list[Shot]
    """The calibration frames that did."""
    unkept: FramesNotKept | None = None
    """What ended the night early: a disk that keeps no more frames."""

    @property
    def violations(self) -> list[str]:
        """One line for each finding; empty when every rule held."""
        return [str(finding) for finding in self.findings]


def play_virtually(
    rehearsal: Rehearsal,
    listeners: Callable[[NightSummary], Sequence[Listener]] = lambda _: (),
    meddler: Meddler | None = None,
    person: Person | None = None,
) -> Played:
    """The night on virtual time: as fast as its arithmetic, and the same each time."""
    return run_virtual(_watched(rehearsal, listeners, meddler, person))


async def _watched(
    rehearsal: Rehearsal,
    listeners: Callable[[NightSummary], Sequence[Listener]],
    meddler: Meddler | None,
    person: Person | None,
) -> Played:
    """A night, whatever goes wrong beside it, and its observer."""
    scene, observer = _set_up(rehearsal)
    rig, summary = scene.rig, _summary(rehearsal)
    computer = WrongClock(rehearsal.starts_s, lambda: rig.world.clock_off_s)

    async def live(life: Life) -> FramesNotKept | None:
        compute, disk = InLine(MEASURING_S), scene.disk
        return await _play(
            rehearsal, rig.link, computer, compute, disk, summary, listeners, person, life
        )

    async with rig.link:
        beside = [asyncio.ensure_future(bring_all(rehearsal.all_comings, scene))]
        if meddler is not None:
            beside.append(asyncio.ensure_future(meddler(rig, scene.clock)))
        try:
            async with observer.watching():
                unkept = await _until_too_late(rehearsal, scene.clock, scene.daemon.run(live))
        except TimeoutError:
            observer.never_ended()
            unkept = None
        finally:
            for meddling in beside:
                meddling.cancel()
    observer.disk_refused(scene.disk.refused)
    seen = observer.findings, observer.subs, observer.shots
    played = _judged(rehearsal, summary, unkept, *seen)
    scene.daemon.bury()
    return played


def _set_up(rehearsal: Rehearsal) -> tuple[Scene, Observer]:
    """The simulated rig with all that may be done to it, and who watches it."""
    clock, settings = LoopClock(rehearsal.starts_s), rehearsal.settings
    number, sent = rehearsal.number, rehearsal.sent
    rig = simulated_rig(rehearsal.rig, clock, rehearsal.seed, sent, number)
    faults = Faults(rig.link, rig.simulators, rig.world, clock)

    def died() -> None:
        rig.link.renew()
        observer.daemon_died()

    def begins() -> None:
        rig.link.renew()
        rig.world.clock_off_s = 0.0  # a computer that starts waits for the time
        if faults.served:
            rig.link.reconnect()

    daemon, disk = Lives(died, begins), TroubledDisk(InLine())

    def reachable() -> bool:
        return rig.link.connected and daemon.alive

    observer = Observer(settings, rig.world, lambda: rig.simulators, clock, reachable)
    ledger = rehearsal.out / FILE_NAME
    return Scene(rig, faults, clock, rehearsal.dark, disk, ledger, daemon), observer


async def _until_too_late(
    rehearsal: Rehearsal, clock: Clock, night: Awaitable[FramesNotKept | None]
) -> FramesNotKept | None:
    """Let a night come to its end. Raises TimeoutError when it should have ended long ago."""
    calibration = rehearsal.settings.policies.calibration
    then_s = calibration.after_night_max_s if calibration.night_takes else 0.0
    left_s = rehearsal.ends_s + ENDED.tolerance + then_s - clock.unix_s()
    async with asyncio.timeout(left_s):
        return await night


def _summary(rehearsal: Rehearsal) -> NightSummary:
    settings = rehearsal.settings
    targets = settings.targets.targets
    return NightSummary({t.name: bound_fraction(settings, t) for t in targets})


def play_over_socket(
    rehearsal: Rehearsal,
    speed: float,
    listeners: Callable[[NightSummary], Sequence[Listener]] = lambda _: (),
    person: Person | None = None,
) -> Played:
    """The night through INDI, with real sockets and real arithmetic, `speed` times as fast."""
    origin_s = real_monotonic_s()

    async def night() -> Played:
        clock, summary = LoopClock(rehearsal.starts_s), _summary(rehearsal)
        rig, seed = rehearsal.rig, rehearsal.seed
        with Workers() as workers, Witness(rehearsal.settings) as witness:
            async with served_link(
                rig, seed, speed, rehearsal.starts_s, origin_s, witness.serve
            ) as link:
                unkept = await _play(
                    rehearsal, link, clock, workers, Threads(), summary, listeners, person, Life()
                )
                seen = await witness.told()
        return _judged(rehearsal, summary, unkept, *seen)

    with asyncio.Runner(loop_factory=lambda: ScaledTimeLoop(speed, origin_s)) as runner:
        return runner.run(night())


async def _play(
    rehearsal: Rehearsal,
    link: Link,
    clock: Clock,
    compute: Executor,
    store: Executor,
    summary: NightSummary,
    listeners: Callable[[NightSummary], Sequence[Listener]],
    person: Person | None,
    life: Life,
) -> FramesNotKept | None:
    """One life of a daemon in a night, over an open link; what ended the night early."""
    settings = rehearsal.settings
    with Ledger(rehearsal.out / FILE_NAME) as ledger, ExitStack() as stack:
        life.holds(ledger)
        schedule = Schedule(settings, rehearsal.night, clock, ledger, rehearsal.hours_max)
        log = Log(clock, path=rehearsal.log_file)
        life.holds(log)
        stack.callback(log.close)
        account = Account()
        for listener in (summary.observe, account.observe, *listeners(summary)):
            stack.enter_context(log.listen(listener))
        for assumption in rehearsal.assumed:
            log.emit(assumption)
        context = build_context(
            settings,
            assemble(link, settings.observatory, clock, rehearsal.sent),
            safety_devices(link, settings.observatory, clock),
            schedule,
            frames_folder=rehearsal.frames_folder,
            ledger=ledger,
            log=log,
            clock=clock,
            solver=CatalogueSolver(simulated_sky(rehearsal.rig), compute),
            compute=compute,
            store=store,
            seed=rehearsal.seed,
            account=account,
        )
        try:
            async with outages_told(link, log), _beside(person, context):
                if rehearsal.by_day is None:
                    await Night(context, rehearsal.gathering).run()
                else:
                    await rehearsal.by_day(context)
        except FramesNotKept as unkept:
            return unkept
    return None


@asynccontextmanager
async def _beside(person: Person | None, context: Context) -> AsyncIterator[None]:
    """Have a person ask what they want of a night while the block lasts."""
    asking = None if person is None else asyncio.ensure_future(person(context))
    try:
        yield
    finally:
        if asking is not None:
            asking.cancel()


def _judged(
    rehearsal: Rehearsal,
    summary: NightSummary,
    unkept: FramesNotKept | None,
    findings: list[Finding],
    subs: list[TakenSub],
    shots: list[Shot],
) -> Played:
    """What was seen, and what the records hold."""
    records = audit(
        rehearsal.settings,
        rehearsal.night,
        subs,
        rehearsal.out / FILE_NAME,
        rehearsal.frames_folder,
        shots,
        rehearsal.rig.sensor.bias_adu,
    )
    every = sorted([*findings, *records.findings], key=lambda finding: finding.utc)
    return Played(summary, every, records.unevenness, subs, shots, unkept)
