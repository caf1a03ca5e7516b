"""`nightloom run`: the daemon in the foreground, night after night, as systemd starts it."""

import argparse
import asyncio
import contextlib
import os
import signal
import sys

from nightloom.cli.answers import DONE, FAILED
from nightloom.cli.configuration import add_config, settings_of
from nightloom.daemon import LeftUnsafe, stay_up
from nightloom.errors import BadInput
from nightloom.executor import Workers
from nightloom.night.gather import gather
from nightloom.night.table import Work
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom_drivers.clock import WallClock

STOPPED_AT_ONCE = 130

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
"""Ctrl-C, the system, and a terminal that was closed: all ask for parked and closed."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    add_config(parser)
    parser.add_argument(
        "--nights", type=int, metavar="N", help="end after so many nights (default: never)"
    )


def run(arguments: argparse.Namespace) -> int:
    """Run until a person asks for the end: Ctrl-C parks and closes, a third one stops at once."""
    if arguments.nights is not None and arguments.nights < 1:
        raise BadInput(f"--nights {arguments.nights} must be 1 or more.")
    settings = settings_of(arguments)
    return in_the_foreground(settings, arguments.nights)


def in_the_foreground(settings: Settings, nights: int | None, gathering: Work = gather) -> int:
    """The daemon until it ends by itself or by a signal; the exit status."""

    async def live() -> None:
        stop, log = stoppable(), Log(WallClock(), echo=sys.stderr)
        try:
            await stay_up(settings, workers, log, stop, nights, gathering)
        finally:
            log.close()

    with Workers() as workers:
        try:
            asyncio.run(live())
        except LeftUnsafe as unsafe:
            _tell(str(unsafe))
            return FAILED
    return DONE


def stoppable() -> asyncio.Event:
    """Set by the first of SIGNALS; the second warns, and a third stops at once."""
    stop = asyncio.Event()
    count = 0

    def signalled() -> None:
        nonlocal count
        count += 1
        stop.set()
        if count == 1:
            _tell("Parking and closing; this takes a few minutes.")
        elif count == 2:
            _tell("Still parking and closing. Once more stops at once and leaves the rig as it is.")
        else:
            os._exit(STOPPED_AT_ONCE)

    for number in SIGNALS:
        asyncio.get_running_loop().add_signal_handler(number, signalled)
    return stop


def _tell(text: str) -> None:
    """Say something to whoever is still there: a closed terminal stops nothing."""
    with contextlib.suppress(OSError, ValueError):
        print(text, file=sys.stderr, flush=True)
