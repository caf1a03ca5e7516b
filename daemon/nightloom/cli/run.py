"""`nightloom run`: the daemon in the foreground, night after night, as systemd starts it."""

import argparse
import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import Callable

from nightloom.cli.answers import DONE, FAILED
from nightloom.cli.configuration import add_config, settings_of
from nightloom.daemon import stay_up
from nightloom.errors import BadInput
from nightloom.executor import Workers
from nightloom.night.gather import gather
from nightloom.night.table import Work
from nightloom.reaching import LeftUnsafe
from nightloom.rereading import Asked, Reread
from nightloom.telemetry import Log
from nightloom_drivers.clock import WallClock

STOPPED_AT_ONCE = 130

SIGNALS = (signal.SIGINT, signal.SIGTERM)
"""Ctrl-C and the system: both ask for parked and closed. So does SIGHUP where there is a terminal,
which was closed then; where there is none it asks to read the configuration again.
"""


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
    return in_the_foreground(lambda: settings_of(arguments), arguments.nights)


def in_the_foreground(reread: Reread, nights: int | None, gathering: Work = gather) -> int:
    """The daemon until it ends by itself or by a signal; the exit status. Raises SettingsError."""
    settings = reread()

    async def live() -> None:
        asked, log = _asked(reread), Log(WallClock(), echo=sys.stderr)
        try:
            await stay_up(settings, workers, log, asked, nights, gathering)
        finally:
            log.close()

    with Workers() as workers:
        try:
            asyncio.run(live())
        except LeftUnsafe as unsafe:
            _tell(str(unsafe))
            return FAILED
    return DONE


def _asked(reread: Reread) -> Asked:
    """What signals ask: to stop, or to read the configuration again."""
    stop, reload = asyncio.Event(), asyncio.Event()
    signalled = stoppable(stop)
    at_a_terminal = any(map(os.isatty, (0, 1, 2)))
    hung_up = signalled if at_a_terminal else reload.set
    asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, hung_up)
    return Asked(stop, reload, reread)


def stoppable(stop: asyncio.Event) -> Callable[[], None]:
    """Have the first of SIGNALS set it; the second warns, a third stops at once. Returns what they
    call.
    """
    loop, count = asyncio.get_running_loop(), 0

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
        loop.add_signal_handler(number, signalled)
    return signalled


def _tell(text: str) -> None:
    """Say something to whoever is still there: a closed terminal stops nothing."""
    with contextlib.suppress(OSError, ValueError):
        print(text, file=sys.stderr, flush=True)
