"""Puts a night together from its settings and its rig."""

import asyncio
from datetime import date
from pathlib import Path

from nightloom.calibration_frames.library import FOLDER, Library
from nightloom.clouds import SkyLook
from nightloom.clouds.monitor import CloudMonitor
from nightloom.errors import BadInput
from nightloom.executor import Executor, Workers
from nightloom.faults import GivenUp
from nightloom.focusing.runs import Focusing
from nightloom.frames.pipeline import FramePipeline
from nightloom.frames.records import JudgedFrame
from nightloom.frames.seeing import at_zenith_px
from nightloom.guiding.guiding import Guiding
from nightloom.guiding.readings import Reading
from nightloom.ledger import Ledger, Sub
from nightloom.night.context import Context
from nightloom.night.desk import Desk
from nightloom.night.target_run import TargetRun
from nightloom.pointing.centring import Pointing
from nightloom.pointing.kept_offsets import KeptPointingOffsets
from nightloom.rig import Rig
from nightloom.safety import Acts, Guard, SafetyDevices
from nightloom.schedule.schedule import Schedule
from nightloom.settings import Settings
from nightloom.sky.twilight import NIGHT_DEG
from nightloom.solving import CatalogueSolver, FieldSolver, Solver
from nightloom.status import Account
from nightloom.telemetry import Log
from nightloom_drivers.catalogue import tycho2
from nightloom_drivers.clock import Clock, SteadyClock


def build_context(
    settings: Settings,
    rig: Rig,
    safety: SafetyDevices,
    schedule: Schedule,
    *,
    frames_folder: Path | None,
    ledger: Ledger,
    log: Log,
    clock: Clock,
    solver: Solver,
    compute: Executor,
    store: Executor,
    stop: asyncio.Event | None = None,
    seed: int | None = None,
    account: Account | None = None,
) -> Context:
    """Everything that the phases of one night share. Without a frames folder none is written.

    An `account` must hear the log; without one no request of a person can be taken.
    """
    account = account or Account()
    guard = Guard(settings, safety, Acts(ledger, clock, log), SteadyClock(clock), log)
    cloud_monitor = CloudMonitor(settings, clock, log)
    night, camera, focuser, measuring = str(schedule.night), rig.camera, rig.focuser, rig.measuring
    offsets = KeptPointingOffsets(ledger, night)
    pointing = Pointing(
        guard, camera, solver, cloud_monitor, settings, offsets, compute, clock, log, measuring
    )
    guides = rig.guide_camera, rig.guide_port
    guiding = Guiding(*guides, guard, settings, ledger, compute, clock, log, rig.guide_measuring)
    focusing = Focusing(camera, focuser, settings, night, ledger, compute, clock, log, measuring)
    pipeline = FramePipeline(
        settings, schedule.night, frames_folder, ledger, compute, store, clock, log, measuring
    )
    given_up = GivenUp()
    target_run = TargetRun(settings, schedule, guard, ledger, clock, given_up, focusing.bears)
    context = Context(
        settings=settings,
        rig=rig,
        clock=clock,
        log=log,
        ledger=ledger,
        guard=guard,
        schedule=schedule,
        pointing=pointing,
        guiding=guiding,
        focusing=focusing,
        cloud_monitor=cloud_monitor,
        pipeline=pipeline,
        target_run=target_run,
        account=account,
        library=_library(frames_folder, schedule.night, ledger, store),
        desk=Desk(schedule, ledger, account, clock, log),
        stop=stop or asyncio.Event(),
        seed=seed,
        given_up=given_up,
    )
    _tell_of_frames(context)
    _tell_of_guide_stars(context)
    return context


def _library(frames: Path | None, night: date, ledger: Ledger, store: Executor) -> Library:
    """Of calibration frames, beside the folder of frames."""
    return Library(None if frames is None else frames.parent / FOLDER, night, ledger, store)


def _tell_of_guide_stars(context: Context) -> None:
    """Have those hear of each guide frame to whom it says something."""

    def of_the_sky(reading: Reading) -> None:
        target, now_s = context.target_run.running, context.clock.unix_s()
        airmass = context.schedule.airmass(target, now_s)
        context.cloud_monitor.guide(reading.flux_ratio, reading.held, reading.chosen, airmass)

    def of_the_focus(reading: Reading) -> None:
        context.focusing.watch.guide(reading.at_s, reading.width_px)

    context.guiding.readings.listen(of_the_sky)
    context.guiding.readings.listen(of_the_focus)


def _tell_of_frames(context: Context) -> None:
    """Have those hear of judged frames to whom they say something."""
    schedule, focusing, pipeline = context.schedule, context.focusing, context.pipeline
    first_px: dict[str, float] = {}

    def of_the_sky(frame: JudgedFrame) -> None:
        if frame.judgement.transparency is None:
            return
        sub, now_s = frame.sub, context.clock.unix_s()
        radius_px = frame.measured.stars.half_flux_radius_px
        size_px = at_zenith_px(radius_px, sub.airmass or 1.0)
        usual_px = first_px.setdefault(sub.filter, size_px)
        context.cloud_monitor.frame(
            SkyLook(
                now_s,
                frame.judgement.transparency,
                size_px / usual_px,
                sub.lit_sky or 1.0,
                schedule.sun_altitude_deg(now_s) > -NIGHT_DEG,
            )
        )

    def of_the_focus(frame: JudgedFrame) -> None:
        if frame.judgement.shows_focus:
            focusing.sub_measured(frame.sub, frame.measured.stars.half_flux_radius_px)

    def in_focus_px(sub: Sub) -> float:
        began_s = (sub.start_utc or sub.begun_utc).timestamp()
        return focusing.watch.expected_px(sub.filter, began_s, sub.exposure_s)

    pipeline.ask(in_focus_px)
    pipeline.listen(of_the_focus)
    pipeline.listen(of_the_sky)


def solver_of(settings: Settings, workers: Workers) -> Solver:
    """The solver that the settings ask for. Raises BadInput when it cannot be had."""
    said = settings.observatory.solver
    if said.kind == "astrometry":
        return FieldSolver(deadline_s=said.deadline_s)
    catalogue = tycho2()
    if catalogue is None:
        raise BadInput(
            'observatory.toml: solver.kind "catalogue" needs the star catalogue of Debian\'s'
            " package astrometry-data-tycho2, which is not installed."
        )
    return CatalogueSolver(catalogue, workers)
