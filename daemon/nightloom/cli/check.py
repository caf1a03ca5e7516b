"""`nightloom check`: what is wrong with the configuration and the devices, and how to mend it."""

import argparse
import asyncio
import json
import sys
from pathlib import Path

from nightloom.checks.devices import check_devices, device_names, see_sensors
from nightloom.checks.disk import output_problems
from nightloom.checks.fitting import Fit, fit
from nightloom.checks.looking import offered
from nightloom.checks.notes import notes
from nightloom.checks.plausible import impossible, unlikely
from nightloom.cli.answers import BAD_INPUT, DONE
from nightloom.cli.check_draft import add_draft, write_draft
from nightloom.cli.configuration import add_config, config_folder
from nightloom.notices.addresses import addresses, not_taken, nowhere
from nightloom.notices.rules import Notice
from nightloom.notices.sending import send
from nightloom.remote.token_file import token_problems
from nightloom.seen_sensors import Seen, keep_sensors
from nightloom.settings import Problem, Settings, SettingsError, read_settings
from nightloom.settings.problems import ABSENT
from nightloom_drivers.clock import WallClock
from nightloom_drivers.errors import DeviceError, DeviceGone
from nightloom_drivers.link.indi import IndiLink

TEST = "This is a test. Nothing has happened, and nothing has to be done."

PATIENCE_S = 5.0
"""How long the server and each device may take to answer; a healthy one needs far less than 1."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    add_config(parser)
    parser.add_argument(
        "--devices",
        action="store_true",
        help="ask the INDI server too; devices that are off are switched on meanwhile",
    )
    add_draft(parser)
    parser.add_argument("--notice", action="store_true", help="send a test notice to every address")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    """Print what is wrong, or what follows from it all; 0 when nothing is wrong, otherwise 2."""
    if arguments.write is not None:
        return write_draft(arguments)
    folder = config_folder(arguments)
    problems, seen = look(folder, with_devices=arguments.devices)
    if arguments.notice and not problems:
        problems = asyncio.run(_test_notice(read_settings(folder)))
    told = [] if problems else _told(read_settings(folder)) + seen
    if arguments.devices and not problems:
        told += _sensors(read_settings(folder))
    if arguments.json:
        listed = [
            {"file": p.file, "key": p.key, "sentence": str(p), "allowed": p.allowed}
            for p in problems
        ]
        print(
            json.dumps(
                {"folder": str(folder), "ok": not problems, "problems": listed, "notes": told}
            )
        )
    elif problems:
        print(*problems, sep="\n", file=sys.stderr)
    else:
        checked = "All is plausible, and the devices are as it says,"
        checked = checked if arguments.devices else "All is plausible"
        sent = ["Every address took the test notice."] if arguments.notice else []
        print(f"{checked} in {folder}.", *sent, *told, sep="\n")
    return BAD_INPUT if problems else DONE


def find_problems(
    folder: Path, *, with_devices: bool, patience_s: float = PATIENCE_S
) -> list[Problem]:
    """Problems of the files first; only with good files those of the disk and the devices."""
    return look(folder, with_devices=with_devices, patience_s=patience_s).problems


def look(folder: Path, *, with_devices: bool, patience_s: float = PATIENCE_S) -> Fit:
    """The same, with what devices say otherwise."""
    try:
        settings = read_settings(folder)
    except SettingsError as error:
        return Fit(error.problems, [])
    problems = output_problems(settings.observatory.output_folder)
    problems += impossible(settings) + addresses(settings)[1] + token_problems(settings)
    if not with_devices:
        return Fit(problems, [])
    found = asyncio.run(_devices(settings, patience_s))
    return Fit(problems + found.problems, found.notes)


def _told(settings: Settings) -> list[str]:
    """What is taken to be so, what is unlikely, and what follows."""
    return unlikely(settings, WallClock().unix_s()) + notes(settings)


async def _test_notice(settings: Settings) -> list[Problem]:
    """Send word of nothing; the addresses that did not take it."""
    where, problems = addresses(settings)
    notice = Notice("test", f"{settings.observatory.name}: test notice", TEST)
    answers = await asyncio.gather(*(send(address, notice) for address in where))
    answered = zip(where, answers, strict=True)
    problems += [not_taken(address, why) for address, why in answered if why]
    return problems if where or problems else [nowhere()]


def _sensors(settings: Settings) -> list[str]:
    """See how large the sensors are, and keep it for rehearsals; a sentence about each."""
    observatory, server = settings.observatory, settings.observatory.server

    async def see() -> Seen:
        async with IndiLink(server.host, server.port, answer_s=PATIENCE_S) as link:
            return await see_sensors(observatory, link, patience_s=PATIENCE_S)

    try:
        seen = asyncio.run(see())
        if not seen:
            return ["No camera tells how large its sensor is; rehearsals assume a size."]
        file = keep_sensors(observatory.output_folder, seen)
    except (DeviceError, OSError) as error:
        return [f"The sizes of the sensors could not be kept for rehearsals: {error}."]
    sizes = [
        f"{name.replace('_', ' ')} {one.width_px} × {one.height_px} px"
        for name, one in seen.items()
    ]
    return [f"Sensors seen, and kept for rehearsals in {file}: {', '.join(sizes)}."]


async def _devices(settings: Settings, patience_s: float) -> Fit:
    """What is wrong with the devices: whether they are there first, then what they can do."""
    server = settings.observatory.server
    try:
        async with IndiLink(server.host, server.port, answer_s=patience_s) as link:
            problems = await check_devices(settings, link, patience_s=patience_s)
            offers = await offered(link, device_names(settings.observatory), patience_s)
    except DeviceGone as error:
        wrong = f"reaches no INDI server at {server.host} port {server.port}: {error.seen}"
        return Fit([Problem("observatory.toml", "server", ABSENT, wrong)], [])
    found = fit(settings, offers, WallClock().unix_s())
    known = {problem.key for problem in problems}
    more = [problem for problem in found.problems if problem.key not in known]
    return Fit(problems + more, found.notes)
