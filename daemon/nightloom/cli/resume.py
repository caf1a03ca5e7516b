"""`nightloom resume`: see `requests.messages.Resume`."""

import argparse

from nightloom.cli.asking import add_asking, ask
from nightloom.requests import Resume

add_arguments = add_asking


def run(arguments: argparse.Namespace) -> int:
    """Ask the running daemon. Raises BadInput."""
    return ask(arguments, Resume())
