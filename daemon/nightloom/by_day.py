"""The library of calibration frames filled by day on the real rig, without a daemon."""

import asyncio
from contextlib import ExitStack

from nightloom.executor import Threads, Workers
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.assembly import build_context, solver_of
from nightloom.night.fill import fill
from nightloom.night.next_night import next_night
from nightloom.rig import assemble, safety_devices
from nightloom.rig_lock import rig_lock
from nightloom.schedule.schedule import Schedule
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom_drivers.clock import WallClock
from nightloom_drivers.link.indi import IndiLink

SERVER_ANSWERS_S = 5.0
"""A server that is up answers within a second."""


async def fill_library(settings: Settings, workers: Workers, log: Log, stop: asyncio.Event) -> None:
    """Take what is lacking and can be taken closed, until `stop` is set.

    Raises BadInput when a daemon has the rig, DeviceError, NotSafe and LedgerError.
    """
    clock, output = WallClock(), settings.observatory.output_folder
    with ExitStack() as stack:
        stack.enter_context(rig_lock(settings.observatory))
        ledger = stack.enter_context(Ledger(output / FILE_NAME))
        server = settings.observatory.server
        night = next_night(settings, ledger, clock.unix_s())
        async with IndiLink(server.host, server.port, answer_s=SERVER_ANSWERS_S) as link:
            context = build_context(
                settings,
                assemble(link, settings.observatory, clock),
                safety_devices(link, settings.observatory, clock),
                Schedule(settings, night, clock, ledger),
                frames_folder=output / "frames",
                ledger=ledger,
                log=log,
                clock=clock,
                solver=solver_of(settings, workers),
                compute=workers,
                store=Threads(),
                stop=stop,
            )
            await fill(context)
