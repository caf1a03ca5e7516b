"""The options `--config` and `--night` that several commands share."""

import argparse
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from nightloom.errors import BadInput

if TYPE_CHECKING:  # it takes longer than all the rest of a command that reads no configuration
    from nightloom.settings import Settings


def add_config(parser: argparse.ArgumentParser) -> None:
    """Add `--config FOLDER`."""
    parser.add_argument(
        "--config",
        type=Path,
        metavar="FOLDER",
        help="folder of the configuration (default: $NIGHTLOOM_CONFIG, ~/.config/nightloom,"
        " /etc/nightloom)",
    )


def config_folder(arguments: argparse.Namespace) -> Path:
    """The folder that was named, or the default one. Raises BadInput when it is not there."""
    from nightloom.settings import default_folder

    folder: Path = arguments.config or default_folder()
    if not folder.is_dir():
        raise BadInput(
            f"There is no configuration folder {folder}; have one drafted with nightloom check"
            f" --devices --write {folder}, copy the example there, or name another with --config."
        )
    return folder


def settings_of(arguments: argparse.Namespace) -> "Settings":
    """Settings of that folder. Raises BadInput or SettingsError."""
    from nightloom.settings import read_settings

    return read_settings(config_folder(arguments))


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
