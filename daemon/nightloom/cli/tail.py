"""`nightloom tail`: a night's log in sentences, here or from afar, or as it is for programs."""

import argparse
import asyncio
import contextlib
import difflib
import sys
from collections.abc import AsyncIterator, Callable
from datetime import UTC, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from nightloom.cli.answers import DONE
from nightloom.cli.configuration import add_config, settings_of
from nightloom.cli.elsewhere import add_elsewhere, daemon_elsewhere
from nightloom.errors import BadInput
from nightloom.telemetry import all_events
from nightloom.telemetry.follow import follow, follow_nights, newest, read_lines
from nightloom.telemetry.narrator import LEVELS, Narrator, Wanted
from nightloom.telemetry.reading import parse
from nightloom.telemetry.words import Detail

if TYPE_CHECKING:
    from nightloom.far_daemon import Daemon

Printed = Callable[[str], None]

DETAILS = {detail.name.lower(): detail for detail in Detail}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument(
        "file",
        type=Path,
        metavar="FILE",
        nargs="?",
        help="the log of a night (default: follow the newest of the configured observatory)",
    )
    add_config(parser)
    add_elsewhere(parser)
    parser.add_argument(
        "-f", "--follow", action="store_true", help="with FILE: go on as it grows, or once it comes"
    )
    parser.add_argument(
        "--once", action="store_true", help="without FILE: end after what there is by now"
    )
    parser.add_argument(
        "--detail",
        choices=DETAILS,
        help="main: where the night is and what went wrong; subs (default): every sub too;"
        " all: everything, to the second",
    )
    parser.add_argument("--level", choices=LEVELS, default="info", help="this one and above")
    parser.add_argument(
        "--event", nargs="+", default=[], metavar="NAME", help="only these, such as frame_rejected"
    )
    parser.add_argument(
        "--target", nargs="+", default=[], metavar="NAME", help="only what names one of these"
    )
    parser.add_argument("--utc", action="store_true", help="times in UTC, not in the site's zone")
    parser.add_argument("--json", action="store_true", help="pass the JSON lines through")


def run(arguments: argparse.Namespace) -> int:
    """Print the log; while it is followed, until interrupted."""
    wanted = _wanted(arguments)
    lines, zone = _source(arguments)
    narrator = Narrator(wanted, zone, fixed=arguments.utc)
    printed = _passed(narrator) if arguments.json else _spoken(narrator)
    with contextlib.suppress(KeyboardInterrupt):  # the way to end it
        asyncio.run(_print(lines, printed))
    return DONE


async def _print(lines: AsyncIterator[str], printed: Printed) -> None:
    async for line in lines:
        printed(line)


# Where from ---------------------------------------------------------------------------------------


def _source(arguments: argparse.Namespace) -> tuple[AsyncIterator[str], tzinfo | None]:
    """The lines that are asked for, and the zone to tell them in, None the computer's own."""
    file: Path | None = arguments.file
    daemon = daemon_elsewhere(arguments)
    zone: tzinfo | None = UTC if arguments.utc else None
    if file is not None:
        if daemon is not None:
            raise BadInput("A FILE is here and --at is elsewhere; give one of them.")
        return follow(file) if arguments.follow else _there(file), zone
    if daemon is not None:
        return _from_afar(daemon, not arguments.once), zone
    settings = settings_of(arguments)
    named = settings.observatory.site.time_zone
    zone = zone or (None if named is None else ZoneInfo(named))
    folder = settings.observatory.output_folder / "logs"
    last = newest(folder)
    if not arguments.once:
        if last is None:
            _note(f"There is no night's log in {folder} yet; it is waited for. Ctrl-C ends it.")
        return follow_nights(folder), zone
    if last is None:
        raise BadInput(f"There is no night's log in {folder} yet.")
    return _there(last), zone


async def _there(file: Path) -> AsyncIterator[str]:
    """The lines of a file as it is. Raises BadInput."""
    lines = read_lines(file)
    while True:
        try:
            line = next(lines, None)
        except OSError as error:
            raise BadInput(f"The log {file} cannot be read: {error.strerror}.") from error
        if line is None:
            return
        yield line


async def _from_afar(daemon: "Daemon", live: bool) -> AsyncIterator[str]:
    """The lines that a daemon elsewhere sends. Raises BadInput."""
    from nightloom.far_daemon import NotHeard
    from nightloom.telemetry.afar import lines_from

    try:
        async for line in lines_from(daemon, live=live, told=_note):
            yield line
    except NotHeard as refusal:
        raise BadInput(f"{daemon.place} says no: {refusal}.") from None


def _note(sentence: str) -> None:
    print(sentence, file=sys.stderr, flush=True)


# What ---------------------------------------------------------------------------------------------


def _wanted(arguments: argparse.Namespace) -> Wanted:
    """Which events are told. Raises BadInput for one that there is not."""
    usual = Detail.ALL if arguments.json else Detail.SUBS
    return Wanted(
        detail=DETAILS[arguments.detail] if arguments.detail else usual,
        level=arguments.level,
        events=frozenset(_event(name) for name in arguments.event),
        targets=frozenset(arguments.target),
    )


def _event(said: str) -> str:
    name = said.lower().replace("-", "_").replace(" ", "_")
    known = [kind.name() for kind in all_events()]
    if name in known:
        return name
    near = difflib.get_close_matches(name, known)
    raise BadInput(f"--event {said} is none" + (f"; near: {', '.join(near)}." if near else "."))


# How ----------------------------------------------------------------------------------------------


def _passed(narrator: Narrator) -> Printed:
    """For programs: the JSON lines that are wanted."""

    def printed(line: str) -> None:
        if parse(line) is not None and any(one.time for one in narrator.told(line)):
            print(line, flush=True)

    return printed


def _spoken(narrator: Narrator) -> Printed:
    """For people. Brightness tells apart, and no hue: red light and a grey screen show the same."""
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False, soft_wrap=True)
    styles = {"info": "", "warning": "bold", "error": "bold reverse"}

    def printed(line: str) -> None:
        for one in narrator.told(line):
            if not one.time:
                console.print(Text(one.text, style="bold"))
                continue
            head = f"{one.time} {one.mark:<2} "
            text = Text(one.text, style=styles[one.level])
            narrow = console.is_terminal and console.width > 2 * len(head)
            rows = text.wrap(console, console.width - len(head)) if narrow else [text]
            for number, row in enumerate(rows):
                console.print(Text(head if number == 0 else " " * len(head)) + row)

    return printed
