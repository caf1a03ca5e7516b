"""The `--night` option that several commands share."""

import argparse
from datetime import date


def add_night(parser: argparse._ActionsContainer, default: str) -> None:
    """Add `--night DATE`; `default` says in words which night is meant without it."""
    parser.add_argument(
        "--night",
        type=_night,
        metavar="DATE",
        help=f"date of the evening, such as 2026-11-10 (default: {default})",
    )


def _night(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date such as 2026-11-10") from None
