"""`nightloom tail`: a night's log for people, or as it is for programs."""

import argparse
import asyncio
import contextlib
from collections.abc import Callable
from pathlib import Path

from rich.console import Console
from rich.text import Text

from nightloom.cli.answers import DONE
from nightloom.errors import BadInput
from nightloom.telemetry.follow import follow, read_lines
from nightloom.telemetry.show import parse, show


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument("file", type=Path, metavar="FILE", help="the log of a night")
    parser.add_argument(
        "-f", "--follow", action="store_true", help="go on as the file grows, also one yet to come"
    )
    parser.add_argument("--json", action="store_true", help="pass the JSON lines through")


def run(arguments: argparse.Namespace) -> int:
    """Print the log; with --follow until interrupted."""
    printed = _printer(as_json=arguments.json)
    try:
        if arguments.follow:
            with contextlib.suppress(KeyboardInterrupt):  # the way to end it
                asyncio.run(_follow(arguments.file, printed))
        else:
            for line in read_lines(arguments.file):
                printed(line)
    except BrokenPipeError:
        raise
    except OSError as error:
        raise BadInput(f"The log {arguments.file} cannot be read: {error.strerror}.") from error
    return DONE


async def _follow(file: Path, printed: Callable[[str], None]) -> None:
    async for line in follow(file):
        printed(line)


def _printer(*, as_json: bool) -> Callable[[str], None]:
    if as_json:
        return lambda line: print(line, flush=True) if parse(line) is not None else None
    console = Console(highlight=False, soft_wrap=True)

    def printed(line: str) -> None:
        fields = parse(line)
        console.print(Text(line) if fields is None else show(fields))

    return printed
