"""`nightloom check --devices --write FOLDER`: a first configuration from an INDI server."""

import argparse
import asyncio
import json
from collections.abc import Mapping
from pathlib import Path

from nightloom.checks.draft import draft
from nightloom.checks.looking import Offered, offered
from nightloom.cli.answers import DONE
from nightloom.errors import BadInput
from nightloom.settings import SettingsError, demo_folder, read_settings
from nightloom_drivers.errors import DeviceGone
from nightloom_drivers.link.indi import IndiLink

PATIENCE_S = 15.0
"""How long a server's devices may go on defining what they have."""


def add_draft(parser: argparse.ArgumentParser) -> None:
    """Add `--write` and `--server`."""
    parser.add_argument(
        "--write",
        type=Path,
        metavar="FOLDER",
        help="with --devices, draft a configuration there from what the INDI server offers; it"
        " switches all devices on and off again, which brings some to their zero",
    )
    parser.add_argument(
        "--server",
        default="localhost:7624",
        metavar="HOST:PORT",
        help="with --write, the INDI server (default: localhost:7624)",
    )


def write_draft(arguments: argparse.Namespace) -> int:
    """Write the three files, and say what a person must still fill in. Raises BadInput."""
    folder: Path = arguments.write
    if not arguments.devices:
        raise BadInput("--write drafts from what devices tell; add --devices.")
    host, port = _server(arguments.server)
    _refuse_to_overwrite(folder)
    files = draft(_offers(host, port), host, port, cautions())
    _write(folder, files)
    try:
        read_settings(folder)
        left: list[str] = []
    except SettingsError as error:
        left = [str(problem) for problem in error.problems]
    if arguments.json:
        written = [str(folder / name) for name in files]
        print(json.dumps({"folder": str(folder), "written": written, "to_fill_in": left}))
        return DONE
    print(f"Drafted {', '.join(files)} in {folder}; see what is marked GUESS.")
    if left:
        print("To fill in, where the files say so:", *left, sep="\n")
    return DONE


def cautions() -> str:
    """The cautions of the example configuration, which stand above every one."""
    text = (demo_folder().parent / "example" / "observatory.toml").read_text("utf-8")
    return text[text.index("# BEFORE YOU LET") : text.index("\nname =")].rstrip()


def _server(text: str) -> tuple[str, int]:
    host, colon, port = text.rpartition(":")
    if not colon:
        return text, 7624
    if not (host and port.isascii() and port.isdecimal() and 1 <= int(port) <= 65535):
        raise BadInput(f"--server {text} must be HOST:PORT, such as localhost:7624.")
    return host.removeprefix("[").removesuffix("]"), int(port)


def _refuse_to_overwrite(folder: Path) -> None:
    there = [file.name for file in sorted(folder.glob("*.toml"))]
    if there:
        raise BadInput(f"{folder} holds {', '.join(there)} already; nothing was written.")


def _offers(host: str, port: int) -> list[Offered]:
    async def ask() -> list[Offered]:
        async with IndiLink(host, port, answer_s=PATIENCE_S) as link:
            return await offered(link, None, PATIENCE_S)

    try:
        offers = asyncio.run(ask())
    except DeviceGone as error:
        raise BadInput(f"There is no INDI server at {host} port {port}: {error.seen}.") from None
    if not offers:
        raise BadInput(f"The INDI server at {host} port {port} has no device at all.")
    return offers


def _write(folder: Path, files: Mapping[str, str]) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            with (folder / name).open("x", encoding="utf-8") as file:
                file.write(text)
    except OSError as error:
        raise BadInput(f"--write {folder} cannot be written: {error.strerror}.") from None
