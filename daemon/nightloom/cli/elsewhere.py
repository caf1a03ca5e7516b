"""The daemon elsewhere that a command is for; its token is never on the command line."""

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING

from nightloom.errors import BadInput
from nightloom.settings.secrets import Unreadable, secret_lines

if TYPE_CHECKING:
    from nightloom.far_daemon import Daemon

VARIABLE = "NIGHTLOOM_TOKEN"


def add_elsewhere(parser: argparse.ArgumentParser) -> None:
    """Add `--at HOST`, `--token-file FILE` and `--certificate FILE`."""
    parser.add_argument(
        "--at",
        metavar="HOST[:PORT]",
        help="the daemon there, over HTTP; https://HOST[:PORT] where it has a certificate",
    )
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


def daemon_elsewhere(arguments: argparse.Namespace) -> "Daemon | None":
    """Who is meant by --at; None where there is none. Raises BadInput."""
    if arguments.at is None:
        return None
    from nightloom.far_daemon import Daemon, address_of

    certificate: Path | None = arguments.certificate
    try:
        daemon = Daemon(address_of(arguments.at), _token(arguments), certificate)
        daemon.trusted()
    except ValueError as error:
        raise BadInput(f"--at: {error}.") from None
    except OSError as error:
        raise BadInput(f"--certificate {certificate}: {error.strerror}.") from None
    return daemon


def _token(arguments: argparse.Namespace) -> str:
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
