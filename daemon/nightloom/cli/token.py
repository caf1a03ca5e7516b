"""The token that a daemon elsewhere asks for: out of a file or the environment, never printed."""

import argparse
import os
from pathlib import Path

from nightloom.errors import BadInput
from nightloom.settings.secrets import Unreadable, secret_lines

VARIABLE = "NIGHTLOOM_TOKEN"


def add_token(parser: argparse.ArgumentParser) -> None:
    """Add `--token-file FILE` and `--certificate FILE`."""
    parser.add_argument(
        "--token-file",
        type=Path,
        metavar="FILE",
        help=f"with --at: the daemon's token, readable by its owner only (default: ${VARIABLE})",
    )
    parser.add_argument(
        "--certificate",
        type=Path,
        metavar="FILE",
        help="with --at https://…: a certificate to trust, beside those of the system",
    )


def token_of(arguments: argparse.Namespace) -> str:
    """The token; empty where none is given. Raises BadInput."""
    file: Path | None = arguments.token_file
    if file is None:
        return _checked(os.environ.get(VARIABLE, ""), f"${VARIABLE}")
    try:
        return _checked(" ".join(secret_lines(file)), f"--token-file {file}")
    except Unreadable as error:
        raise BadInput(f"--token-file {file} {error}.") from error


def _checked(text: str, source: str) -> str:
    token = text.strip()
    if not all("!" <= letter <= "~" for letter in token):
        raise BadInput(f"{source} holds no token: one word of plain letters and figures.")
    return token
