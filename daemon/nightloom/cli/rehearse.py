"""`nightloom rehearse`: a whole night through the simulated rig, in minutes."""

import argparse
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from rich.console import Console

from nightloom.cli.answers import DONE, FAILED
from nightloom.cli.configuration import add_night, config_folder
from nightloom.cli.progress import progress
from nightloom.cli.rehearsal_table import RehearsalFigures, print_figures
from nightloom.cli.rehearsed import keep_configuration, out_folder
from nightloom.errors import BadInput
from nightloom.ledger import FILE_NAME
from nightloom.rehearsal import (
    TROUBLES,
    Played,
    Rehearsal,
    Trouble,
    play_over_socket,
    play_virtually,
)
from nightloom.report import Sources, write_report
from nightloom.rig import assumptions, simulated_settings
from nightloom.schedule.windows import NightWindows, NoDarkness, darkness
from nightloom.seen_sensors import seen_sensors
from nightloom.settings import demo_folder, read_settings
from nightloom.sky import night_of, overlaps
from nightloom.telemetry import log_sha256
from nightloom.telemetry.words import sentence
from nightloom_drivers.clock import WallClock, real_monotonic_s
from nightloom_drivers.sent import Sent

DEMO_NIGHT = date(2026, 11, 10)
"""A long night a day after new Moon, for which the demo observatory's targets were chosen."""

SPEED_MAX = 200.0
"""Beyond it a rehearsal over a socket is late for everything."""

NIGHTS_MAX = 366


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument(
        "--config",
        type=Path,
        metavar="FOLDER",
        help="folder of the configuration (default: the demo observatory)",
    )
    add_rehearsal(parser)
    parser.add_argument("--no-frames", action="store_true", help="write no frames")
    parser.add_argument("--indi", action="store_true", help="go through a real INDI socket")
    parser.add_argument(
        "--speed", type=float, default=60.0, help="with --indi, seconds that pass in a second"
    )
    parser.add_argument(
        "--nights",
        type=int,
        default=1,
        help="so many nights one after another in one folder, of one rig under other skies; what"
        " was learned and gathered is kept from each to the next",
    )
    parser.add_argument(
        "--trouble",
        nargs="+",
        default=[],
        metavar="NAME",
        help="what is to go wrong, on virtual time; known: "
        + ", ".join(f"{one.name} ({one.words})" for one in TROUBLES),
    )
    parser.add_argument(
        "--send",
        choices=[str(sent) for sent in Sent],
        default=str(Sent.PIXELS),
        help="what the simulated cameras send: pictures, or only the stars that measuring them"
        " would find, which takes two thirds of the time with the demo's small sensor and a fifth"
        " with 26 megapixels (default: pixels)",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def add_rehearsal(parser: argparse._ActionsContainer) -> None:
    """Options of every command that rehearses a night on virtual time."""
    add_night(parser, "tonight, or the demo's night")
    parser.add_argument("--hours", type=float, help="end after so many dark hours")
    parser.add_argument("--seed", type=int, default=1, help="of everything that is random")
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FOLDER",
        help="where frames, log, ledger and report go (default: a new folder under rehearsals/)",
    )


def run(arguments: argparse.Namespace) -> int:
    """Rehearse, and print what each night came to; fails when a promise was broken."""
    if not 0 < arguments.speed <= SPEED_MAX:
        raise BadInput(f"--speed {arguments.speed:g} must be above 0 and up to {SPEED_MAX:g}.")
    if not 1 <= arguments.nights <= NIGHTS_MAX:
        raise BadInput(f"--nights {arguments.nights} must be from 1 to {NIGHTS_MAX}.")
    troubles = _troubles(arguments)
    sent = _sent(arguments)
    first = replace(
        rehearsal_of(arguments), frames=not arguments.no_frames, troubles=troubles, sent=sent
    )
    every = [_rehearsed(night, arguments) for night in _nights(first, arguments)]
    if arguments.json:
        alone = len(every) == 1
        print(json.dumps(every[0] if alone else {"nights": every}))
    else:
        for figures in every:
            print_figures(figures, _in_cycle(first))
    unasked = not troubles and any(figures["ended_early"] for figures in every)
    broken = any(figures["violations"] for figures in every)
    return FAILED if broken or unasked else DONE


def _nights(first: Rehearsal, arguments: argparse.Namespace) -> Iterator[Rehearsal]:
    """One night after another in one folder. Raises BadInput where one does not get dark."""
    for number in range(arguments.nights):
        night = first.night + timedelta(days=number)
        try:
            darkness(first.settings, night)
        except NoDarkness as error:
            raise BadInput(f"There is nothing to rehearse: {error}.") from None
        yield replace(first, night=night, number=number)


def _rehearsed(rehearsal: Rehearsal, arguments: argparse.Namespace) -> RehearsalFigures:
    """Play one night, and say what it came to."""
    began_s = real_monotonic_s()
    played = _play(rehearsal, arguments)
    report = _report(rehearsal, "report.html" if arguments.nights == 1 else "")
    return {
        **played.summary.figures(),
        "unevenness": round(played.unevenness, 4),
        "violations": played.violations,
        "troubles": {one.name: _utc(rehearsal.comes_s(one)) for one in rehearsal.troubles},
        "dark_parts_s": _dark_parts_s(rehearsal),
        "assumed": [sentence(one) for one in rehearsal.assumed],
        "ended_early": "" if played.unkept is None else str(played.unkept),
        "wall_s": round(real_monotonic_s() - began_s, 1),
        "log_sha256": log_sha256(rehearsal.log_file),
        "out": str(rehearsal.out),
        "report": str(report),
    }


def _report(rehearsal: Rehearsal, name: str) -> Path:
    """Write the morning report beside the log. Raises BadInput where the disk refuses."""
    out = rehearsal.out
    files = (rehearsal.log_file, out / FILE_NAME, out / "frames")
    sources = Sources(rehearsal.settings, rehearsal.night, *files)
    try:
        return write_report(sources, out / (name or f"report-{rehearsal.night}.html")).file
    except OSError as error:
        raise BadInput(f"The report in {out} cannot be written: {error}.") from None


def _troubles(arguments: argparse.Namespace) -> tuple[Trouble, ...]:
    """The troubles that were asked for, each once. Raises BadInput."""
    known = {one.name: one for one in TROUBLES}
    for name in arguments.trouble:
        if name not in known:
            raise BadInput(f"--trouble {name} is none; known are {', '.join(known)}.")
    asked = tuple(known[name] for name in dict.fromkeys(arguments.trouble))
    if asked and arguments.indi:
        raise BadInput("--trouble needs virtual time; leave out --indi.")
    if arguments.no_frames and any(one.needs_frames for one in asked):
        raise BadInput("--trouble disk-full needs frames; leave out --no-frames.")
    return asked


def _sent(arguments: argparse.Namespace) -> Sent:
    """What the cameras send. Raises BadInput."""
    sent = Sent(arguments.send)
    if sent is not Sent.PIXELS and arguments.indi:
        raise BadInput(f"--send {sent} needs virtual time; leave out --indi.")
    return sent


def _utc(at_s: float) -> str:
    return f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%dT%H:%M:%SZ}"


def rehearsal_of(arguments: argparse.Namespace) -> Rehearsal:
    """What was asked for. Raises BadInput."""
    demo = arguments.config is None
    configuration = demo_folder() if demo else config_folder(arguments)
    said = read_settings(configuration)
    seen = seen_sensors(said.observatory)
    settings, rig = simulated_settings(said, seen)
    night = arguments.night or (
        DEMO_NIGHT if demo else night_of(WallClock().unix_s(), settings.observatory.site.place)
    )
    if arguments.seed < 0:
        raise BadInput(f"--seed {arguments.seed} must be 0 or more.")
    if arguments.hours is not None and not 0 < arguments.hours <= 24:
        raise BadInput(f"--hours {arguments.hours:g} must be above 0 and up to 24.")
    try:
        darkness(settings, night)
    except NoDarkness as error:
        raise BadInput(f"There is nothing to rehearse: {error}.") from None
    out = out_folder(arguments.out, night, arguments.seed)
    keep_configuration(configuration, out)
    return Rehearsal(
        settings, rig, night, out, arguments.seed, arguments.hours, assumed=assumptions(said, seen)
    )


def _play(rehearsal: Rehearsal, arguments: argparse.Namespace) -> Played:
    with progress(rehearsal.starts_s, rehearsal.ends_s, Console(stderr=True)) as listeners:
        if arguments.indi:
            return play_over_socket(rehearsal, arguments.speed, listeners)
        return play_virtually(rehearsal, listeners)


def _dark_parts_s(rehearsal: Rehearsal) -> dict[str, float]:
    """How long it is dark by the policy, "", and by each group of filters that asks otherwise."""
    night_windows = NightWindows(rehearsal.settings, rehearsal.night)
    darks = {"": night_windows.dark_for()}
    for target in rehearsal.settings.targets.targets:
        for group in target.groups:
            if group.sun_altitude_deg is not None:
                darks[f"{group.label} of {target.name}"] = night_windows.dark_for(group)
    lived = {
        name: overlaps([dark] if dark else [], [rehearsal.dark]) for name, dark in darks.items()
    }
    return {name: round(sum(one.duration_s for one in parts), 1) for name, parts in lived.items()}


def _in_cycle(rehearsal: Rehearsal) -> list[str]:
    """All filters that are asked for, in the order of the targets and their cycles."""
    asked = (name for target in rehearsal.settings.targets.targets for name in target.subs)
    return list(dict.fromkeys(asked))
