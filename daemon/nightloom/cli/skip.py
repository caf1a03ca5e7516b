"""`nightloom skip`: leave a target alone for the rest of the night."""

import argparse

from nightloom.cli.asking import add_asking, ask
from nightloom.requests import Skip


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument(
        "target",
        nargs="?",
        metavar="TARGET",
        help="name of the target (default: the one that runs)",
    )
    add_asking(parser)


def run(arguments: argparse.Namespace) -> int:
    """Ask the running daemon. Raises BadInput."""
    return ask(arguments, Skip(target=arguments.target))
