"""`nightloom retire`: end the night, parked and closed; `--now` with or without a daemon."""

import argparse
import asyncio
import json
import sys
from collections.abc import Callable
from functools import partial

from nightloom.cli.answers import DONE, FAILED
from nightloom.cli.asking import add_asking, ask, asked, show
from nightloom.cli.configuration import config_folder
from nightloom.errors import BadInput
from nightloom.last_resort import retire_now
from nightloom.requests import Answer, Ask, Done, Request, Retire, Told
from nightloom.requests.call import NoDaemon, call
from nightloom.safety import NotSafe
from nightloom.settings import Settings, read_for_safety
from nightloom.status import Status
from nightloom.telemetry import Log
from nightloom_drivers.clock import WallClock
from nightloom_drivers.errors import DeviceGone

Answered = Callable[[Request], Answer]

LOOK_AGAIN_S = 1.0
"""Between two looks at what the daemon does."""

PATIENCE_S = 900.0
"""A mount and a roof that need longer need a person."""

SAFE = "The rig is parked and closed."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument(
        "--now",
        action="store_true",
        help="cut whatever goes on, and return when the rig is parked and closed; works without a"
        " daemon, too",
    )
    add_asking(parser)


def run(arguments: argparse.Namespace) -> int:
    """Ask the running daemon. With --now, 0 only once the rig was seen to park and to close."""
    if not arguments.now:
        return ask(arguments, Retire())
    if arguments.at is not None:
        return _retired(arguments, partial(asked, arguments))
    settings = read_for_safety(config_folder(arguments))
    try:
        return _retired(arguments, partial(call, settings.observatory.output_folder))
    except NoDaemon:
        return _by_hand(arguments, settings)


def _retired(arguments: argparse.Namespace, answered: Answered) -> int:
    answer = answered(Retire(now=True))
    if not isinstance(answer, Done):
        return show(arguments, answer)
    print(answer.said, file=sys.stderr)
    return asyncio.run(_awaited(arguments, answered))


def _by_hand(arguments: argparse.Namespace, settings: Settings) -> int:
    """Make the rig safe from this process."""
    log = Log(WallClock(), echo=sys.stderr)
    try:
        asyncio.run(retire_now(settings, log))
    except NotSafe as reason:
        return _tell(arguments, f"The rig is not safe, look after it now: {reason}.", FAILED)
    except DeviceGone as nobody:
        why = f"Whether the rig is parked and closed is not known: {nobody}."
        return _tell(arguments, why, FAILED)
    return _tell(arguments, SAFE, DONE)


async def _awaited(arguments: argparse.Namespace, answered: Answered) -> int:
    """Wait until the daemon has parked and closed."""
    why = f"The rig was not seen to park and close within {PATIENCE_S / 60:g} min; look after it."
    for _ in range(int(PATIENCE_S / LOOK_AGAIN_S)):
        try:
            answer = await asyncio.to_thread(answered, Ask())
        except BadInput:
            why = "The daemon ended before the rig was seen to park and close; ask again."
            break
        if isinstance(answer, Told) and answer.status.phase == "stranded":
            why = f"The rig is not safe, look after it now: {answer.status.reason}."
            break
        if isinstance(answer, Told) and _is_safe(answer.status):
            return _tell(arguments, SAFE, DONE)
        await asyncio.sleep(LOOK_AGAIN_S)
    return _tell(arguments, why, FAILED)


def _is_safe(status: Status) -> bool:
    return status.safety is not None and status.safety.safe


def _tell(arguments: argparse.Namespace, sentence: str, status: int) -> int:
    if arguments.json:
        print(json.dumps({"safe": status == DONE, "said": sentence}))
    else:
        print(sentence, file=sys.stdout if status == DONE else sys.stderr)
    return status
