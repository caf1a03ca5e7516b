"""`nightloom reload`: see `requests.messages.Reload`."""

import argparse

from nightloom.cli.asking import add_asking, ask
from nightloom.requests import Reload

add_arguments = add_asking


def run(arguments: argparse.Namespace) -> int:
    """Ask the running daemon. Raises BadInput."""
    return ask(arguments, Reload())
