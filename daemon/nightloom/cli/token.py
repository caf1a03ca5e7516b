"""The token that a daemon elsewhere asks for: out of a file or the environment, never printed."""

import argparse
import os
from pathlib import Path

from nightloom.errors import BadInput

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
        open_to_others = file.stat().st_mode & 0o077
        text = file.read_text(encoding="utf-8")
    except OSError as error:
        raise BadInput(f"--token-file {file} cannot be read: {error.strerror}.") from None
    except UnicodeDecodeError:
        raise BadInput(f"--token-file {file} holds no token.") from None
    if open_to_others:
        raise BadInput(f"--token-file {file} may be read by others; chmod 600 {file}.")
    return _checked(text, f"--token-file {file}")


def _checked(text: str, source: str) -> str:
    token = text.strip()
    if not all("!" <= letter <= "~" for letter in token):
        raise BadInput(f"{source} holds no token: one word of plain letters and figures.")
    return token
