"""Puts a night together from its settings and its rig."""

import asyncio
from pathlib import Path

from nightloom.clouds.monitor import Lookout
from nightloom.executor import Arithmetic
from nightloom.focusing.runs import Focusing
from nightloom.frames.pipeline import Intake
from nightloom.guiding.loop import Guiding, Reading
from nightloom.ledger import Ledger
from nightloom.night.context import Context
from nightloom.night.target_run import Course
from nightloom.pointing.centring import Pointing
from nightloom.pointing.kept_offsets import KeptMisses
from nightloom.rig import Rig
from nightloom.safety import Acts, Guard, SafetyDevices
from nightloom.schedule.schedule import Programme
from nightloom.settings import Settings
from nightloom.solving import Solver
from nightloom.telemetry import Log
from nightloom_drivers.clock import Clock, SteadyClock


def build_context(
    settings: Settings,
    rig: Rig,
    safety: SafetyDevices,
    programme: Programme,
    *,
    frames_folder: Path | None,
    ledger: Ledger,
    log: Log,
    clock: Clock,
    solver: Solver,
    compute: Arithmetic,
    store: Arithmetic,
    stop: asyncio.Event | None = None,
    seed: int | None = None,
) -> Context:
    """Everything that the phases of one night share. Without a frames folder none is written."""
    guard = Guard(settings, safety, Acts(ledger, clock), SteadyClock(clock), log)
    lookout = Lookout(settings, clock)
    pointing = Pointing(
        guard,
        rig.camera,
        solver,
        lookout,
        settings,
        KeptMisses(ledger, str(programme.night)),
        compute,
        clock,
        log,
    )
    guiding = Guiding(
        rig.guide_camera, rig.guide_port, guard, settings, ledger, compute, clock, log
    )
    focusing = Focusing(
        rig.camera, rig.focuser, settings, str(programme.night), ledger, compute, clock, log
    )
    intake = Intake(
        settings,
        programme.night,
        frames_folder,
        ledger,
        compute,
        store,
        lookout,
        focusing,
        clock,
        log,
    )
    course = Course(settings, programme, guard, ledger, clock)

    def look(reading: Reading) -> None:
        airmass = programme.airmass(course.running, clock.unix_s())
        lookout.guide(reading.flux_ratio, reading.held, reading.chosen, airmass)
        focusing.watch.guide(reading.at_s, reading.width_px)

    guiding.listener = look
    return Context(
        settings=settings,
        rig=rig,
        clock=clock,
        log=log,
        ledger=ledger,
        guard=guard,
        programme=programme,
        pointing=pointing,
        guiding=guiding,
        focusing=focusing,
        lookout=lookout,
        intake=intake,
        course=course,
        stop=stop or asyncio.Event(),
        seed=seed,
    )
