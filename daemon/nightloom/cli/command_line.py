"""The command line: which commands there are, and how one of them is called.

A command is a module of this package with `add_arguments(parser)` and `run(arguments) -> int`. Only
the one that was asked for is imported, so that help comes at once.
"""

import argparse
import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import version
from typing import NoReturn

COMMANDS = {
    "calibrate": "darks, biases and flats that match the lights, and what lacks; `fill` takes them",
    "check": "read the configuration, and the devices too, and list what is wrong",
    "offsets": "focus offsets and temperature slope that curves teach; `measure` takes curves",
    "outlook": "what a night has in store: dark hours, windows, the Moon, the plan",
    "pause": "expose nothing and move nothing until told to go on; bad weather still closes",
    "report": "what a night came to, as one page; by itself each morning",
    "rehearse": "run a night through the simulated rig",
    "reload": "have the running daemon read its configuration again, and say what it took",
    "resume": "go on after a pause",
    "retire": "end the night, parked and closed; --now at once, with or without a daemon",
    "run": "run the rig tonight, in the foreground",
    "skip": "leave the running target, or a named one, alone for the rest of the night",
    "status": "what the running daemon is doing, why, and what comes next",
    "tail": "show a night's log, as it grows if asked to",
    "tally": "accepted seconds for each target and filter against what was asked",
    "trials": "many rehearsed nights with chance troubles, each judged; a seed replays alone",
    "weave": "the order and the dithers of a cycle, and what it loses",
}
"""Each command with the line that `--help` says about it."""


class _Parser(argparse.ArgumentParser):
    """Answers a wrong command line with one sentence."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status; a wrong command line raises SystemExit(2)."""
    words = list(sys.argv[1:] if argv is None else argv)
    arguments = _parser(words).parse_args(words)
    from nightloom.cli.answers import answer

    command = import_module(f"nightloom.cli.{arguments.command}")
    return answer(lambda: int(command.run(arguments)))


def _parser(words: list[str]) -> argparse.ArgumentParser:
    parser = _Parser(prog="nightloom", description="Runs an unattended backyard observatory.")
    parser.add_argument("--version", action="version", version=f"nightloom {version('nightloom')}")
    commands = parser.add_subparsers(
        dest="command", metavar="COMMAND", required=True, parser_class=_Parser
    )
    asked = next((word for word in words if word in COMMANDS), None)
    for name, line in COMMANDS.items():
        command = commands.add_parser(name, help=line, description=f"{line.capitalize()}.")
        if name == asked:
            import_module(f"nightloom.cli.{name}").add_arguments(command)
    return parser
