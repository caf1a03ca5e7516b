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
from nightloom.rehearsal.observer import Finding, Observer, Shot, TakenSub, audit
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
from nightloom_drivers.clock import Clock, LoopClock, ScaledTimeLoop, real_monotonic_s
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

    async def night() -> Played:
        clock = LoopClock(rehearsal.starts_s)
        rig = simulated_rig(rehearsal.rig, clock, rehearsal.seed, rehearsal.depth)
        async with rig.link as link:
            disk = TroubledDisk(InLine())
            beside = [asyncio.ensure_future(_troubles(rehearsal, rig, clock, disk))]
            if meddler is not None:
                beside.append(asyncio.ensure_future(meddler(rig, clock)))
            watcher = Observer(
                rehearsal.settings,
                rig.world,
                lambda: rig.simulators,
                clock,
                lambda: rig.link.connected,
            )
            try:
                async with watcher.watching():
                    summary, unkept = await _play(
                        rehearsal,
                        link,
                        clock,
                        InLine(MEASURING_S),
                        disk,
                        listeners,
                        person,
                    )
            finally:
                for meddling in beside:
                    meddling.cancel()
        seen = watcher.findings, watcher.subs, watcher.shots
        return _judged(rehearsal, summary, unkept, *seen)

    return run_virtual(night())


def play_over_socket(
    rehearsal: Rehearsal,
    speed: float,
    listeners: Callable[[NightSummary], Sequence[Listener]] = lambda _: (),
    person: Person | None = None,
) -> Played:
    """The night through INDI, with real sockets and real arithmetic, `speed` times as fast."""
    origin_s = real_monotonic_s()

    async def night() -> Played:
        clock = LoopClock(rehearsal.starts_s)
        rig, seed = rehearsal.rig, rehearsal.seed
        with Workers() as workers, Witness(rehearsal.settings) as witness:
            async with served_link(
                rig, seed, speed, rehearsal.starts_s, origin_s, witness.serve
            ) as link:
                summary, unkept = await _play(
                    rehearsal, link, clock, workers, Threads(), listeners, person
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
    listeners: Callable[[NightSummary], Sequence[Listener]],
    person: Person | None = None,
) -> tuple[NightSummary, FramesNotKept | None]:
    """One night over an open link, followed by its account, and by what ended it early."""
    settings = rehearsal.settings
    targets = settings.targets.targets
    summary = NightSummary({t.name: bound_fraction(settings, t) for t in targets})
    with Ledger(rehearsal.out / FILE_NAME) as ledger, ExitStack() as stack:
        schedule = Schedule(settings, rehearsal.night, clock, ledger, rehearsal.hours_max)
        log = Log(clock, path=rehearsal.log_file)
        stack.callback(log.close)
        account = Account()
        for listener in (summary.observe, account.observe, *listeners(summary)):
            stack.enter_context(log.listen(listener))
        for assumption in rehearsal.assumed:
            log.emit(assumption)
        context = build_context(
            settings,
            assemble(link, settings.observatory, clock, rehearsal.depth),
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
            return summary, unkept
    return summary, None


async def _troubles(
    rehearsal: Rehearsal, rig: SimulatedRig, clock: Clock, disk: TroubledDisk
) -> None:
    """What goes wrong beside the night because it was asked for."""
    faults = Faults(rig.link, rig.simulators, rig.world, clock)
    ledger = rehearsal.out / FILE_NAME
    scene = Scene(rig, faults, clock, rehearsal.dark, disk, ledger)
    await bring_all(rehearsal.troubles, scene, rehearsal.starts_s, rehearsal.seed)


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
