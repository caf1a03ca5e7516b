"""`nightloom outlook`: what a night has in store, as tables, a picture, or JSON."""

import argparse
import json
from contextlib import ExitStack
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from nightloom.cli.answers import DONE
from nightloom.cli.configuration import add_config, add_night, settings_of
from nightloom.cli.outlook_parts import (
    altitude_deg,
    clock,
    dark_told,
    hours,
    iso,
    meridian_s,
    moon_separation_deg,
    moon_told,
    moonrise_and_set,
    named,
    rounded,
    span,
)
from nightloom.cli.outlook_picture import night_sheet
from nightloom.cli.outlook_table import outlook_table
from nightloom.cli.picture import save
from nightloom.errors import BadInput
from nightloom.ledger import FILE_NAME, Ledger, tally_s, whole_tally_s
from nightloom.schedule.outlook import Outlook, outlook
from nightloom.schedule.windows import NightWindows, NoDarkness, Tally
from nightloom.settings import Settings, Target
from nightloom.sky import Interval, night_of
from nightloom_drivers.clock import WallClock


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    add_config(parser)
    add_night(parser, "tonight")
    parser.add_argument(
        "--ledger",
        type=Path,
        metavar="FILE",
        help=f"the ledger (default: {FILE_NAME} in the configured output folder, if there is one)",
    )
    parser.add_argument("--picture", type=Path, metavar="FILE", help="draw it, as SVG")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    """Print the outlook of a night, and draw it when asked to."""
    settings = settings_of(arguments)
    seen = _outlook(settings, arguments)
    picture: Path | None = arguments.picture
    if picture is not None:
        save(night_sheet(settings.observatory, seen), picture, "--picture")
    if arguments.json:
        print(json.dumps(as_json(settings, seen, picture)))
    else:
        _print(seen, picture)
    return DONE


def _outlook(settings: Settings, arguments: argparse.Namespace) -> Outlook:
    """The outlook that was asked for. Raises BadInput."""
    night = arguments.night or night_of(WallClock().unix_s(), settings.observatory.site.place)
    file: Path = arguments.ledger or settings.observatory.output_folder / FILE_NAME
    if arguments.ledger is not None and not file.is_file():
        raise BadInput(f"There is no ledger {file}; name another file with --ledger.")
    try:
        night_windows = NightWindows(settings, night)
    except NoDarkness as error:
        raise BadInput(f"There is no outlook: {error}.") from None
    with ExitStack() as stack:
        ledger = stack.enter_context(Ledger.read(file)) if file.is_file() else None
        return outlook(
            settings, night_windows, _tally(settings, ledger), _tally(settings, ledger, str(night))
        )


def _tally(settings: Settings, ledger: Ledger | None, night: str | None = None) -> Tally:
    """Accepted seconds by filter, as each target counts them, or of one night its whole mosaic;
    nothing where there is no ledger.
    """
    if ledger is None:
        return lambda _: {}
    named = settings.targets.named
    if night is None:
        return lambda name: tally_s(ledger, named(name))
    return lambda name: whole_tally_s(ledger, settings.targets.of(named(name).whole), night)


# JSON ------------------------------------------------------------------------------------------


def as_json(settings: Settings, seen: Outlook, picture: Path | None) -> dict[str, object]:
    """All of it; moments are UTC, angles degrees."""
    night_windows, dark = seen.night_windows, seen.night_windows.dark
    return {
        "night": str(night_windows.night),
        "observatory": settings.observatory.name,
        "dark": [iso(dark.start_unix_s), iso(dark.end_unix_s)],
        "dark_s": round(dark.duration_s),
        "moon": moon_told(night_windows),
        "targets": [_target(seen, target) for target in seen.targets],
        "plan": [
            {
                "target": block.target,
                "group": named(seen, block.target).groups[block.group].label,
                "begins_utc": iso(block.start_unix_s),
                "ends_utc": iso(block.end_unix_s),
                "expected_s": {name: round(seconds) for name, seconds in by_filter.items()},
            }
            for block, by_filter in zip(seen.plan.blocks, seen.block_s, strict=True)
        ],
        "plan_worth": round(seen.plan.objective, 1),
        "plan_bound": round(seen.plan.bound, 1),
        "picture": str(picture) if picture is not None else None,
    }


def _target(seen: Outlook, target: Target) -> dict[str, object]:
    night_windows = seen.night_windows
    moments = night_windows.dark.grid(300.0)
    return {
        "target": target.name,
        "priority": target.priority,
        "highest_deg": round(float(altitude_deg(night_windows, target, moments).max()), 1),
        "meridian_utc": iso(meridian_s(night_windows, target)),
        "crosses_utc": [iso(one.start_unix_s) for one in night_windows.crossings(target)],
        "out_of_reach": [
            [iso(one.start_unix_s), iso(one.end_unix_s)]
            for one in night_windows.out_of_reach(target)
        ],
        "moon_separation_deg": round(moon_separation_deg(night_windows, target), 1),
        "groups": [
            {
                "group": group.label,
                "filters": list(group.filters),
                "dark": [iso(one) for one in _ends(night_windows.dark_for(group))],
                "windows": [
                    [iso(w.start_unix_s), iso(w.end_unix_s)]
                    for w in night_windows.group_windows(target, number)
                ],
            }
            for number, group in enumerate(target.groups)
        ],
        "filters": {
            name: {
                "accepted_s": round(one.accepted_s),
                "expected_s": round(one.expected_s),
                "expected_worth_s": round(one.expected_worth_s),
                "wanted_s": rounded(one.wanted_s),
                "missing_s": rounded(one.missing_s),
            }
            for name, one in seen.filters[target.name].items()
        },
    }


def _ends(dark: Interval | None) -> tuple[float, ...]:
    return () if dark is None else (dark.start_unix_s, dark.end_unix_s)


# Tables ----------------------------------------------------------------------------------------


def _print(seen: Outlook, picture: Path | None) -> None:
    console = Console(highlight=False)
    console.print(_sky_lines(seen))
    console.print(_windows_table(seen), _plan_table(seen), _filters_table(seen))
    if picture is not None:
        console.print(f"Drawn in {picture}.")


def _sky_lines(seen: Outlook) -> str:
    """The dark of the policy, that of each group which asks for another one, and the Moon."""
    night_windows = seen.night_windows
    moon, begins = moon_told(night_windows), f"Night of {night_windows.night}, all times UTC."
    rises, sets = moonrise_and_set(night_windows)
    moments = sorted([*((one, "rises") for one in rises), *((one, "sets") for one in sets)])
    events = [f"{what} {clock(one)}" for one, what in moments]
    where = f", {', '.join(events)}" if events else ""
    height = max(moon["highest_deg"], 0.0)
    own = [
        f"{dark_told(night_windows.dark_for(group))} for {' '.join(group.filters)} of {target.name}"
        for target in seen.targets
        for group in target.groups
        if group.sun_altitude_deg is not None
    ]
    return (
        f"{begins} {'; '.join([f'Dark {dark_told(night_windows.dark_for())}', *own])}.\n"
        f"Moon {moon['illumination']:.0%} lit, {moon['days_from_full']:.0f} days from full{where};"
        + (f" up to {height:.0f}° in the dark." if height else " down while it is dark.")
    )


def _windows_table(seen: Outlook) -> Table:
    table = outlook_table(
        "Windows", "target", "filters", "may run", "highest", "meridian", "mount", "from\nMoon"
    )
    night_windows = seen.night_windows
    for target in seen.targets:
        highest = altitude_deg(night_windows, target, night_windows.dark.grid(300.0)).max()
        for number, group in enumerate(target.groups):
            windows = night_windows.group_windows(target, number)
            first = number == 0
            table.add_row(
                target.name if first else "",
                " ".join(group.filters),
                "\n".join(map(span, windows)) or "not tonight",
                f"{highest:.0f}°" if first else "",
                clock(meridian_s(night_windows, target)) if first else "",
                _pier(night_windows, target) if first else "",
                f"{moon_separation_deg(night_windows, target):.0f}°" if first else "",
            )
    return table


def _pier(night_windows: NightWindows, target: Target) -> str:
    """What the mount has to do with it."""
    crosses = [f"crosses\nby {clock(one.start_unix_s)}" for one in night_windows.crossings(target)]
    beyond = [f"out of reach\n{span(one)}" for one in night_windows.out_of_reach(target)]
    return "\n".join([*crosses, *beyond])


def _plan_table(seen: Outlook) -> Table:
    plan = seen.plan
    doubt = (
        "" if plan.exact else f" (another may be worth {plan.bound / plan.objective - 1:.1%} more)"
    )
    table = outlook_table(f"Plan{doubt}", "from", "to", "target", "filters", "open", "altitude")
    for block, by_filter in zip(plan.blocks, seen.block_s, strict=True):
        target = named(seen, block.target)
        ends = np.array([block.start_unix_s, block.end_unix_s])
        first, last = altitude_deg(seen.night_windows, target, ends)
        table.add_row(
            clock(block.start_unix_s),
            clock(block.end_unix_s),
            block.target,
            " ".join(by_filter),
            hours(block.open_s),
            f"{first:.0f}° to {last:.0f}°",
        )
    return table


def _filters_table(seen: Outlook) -> Table:
    table = outlook_table(
        "Expected", "target", "filter", "has", "tonight", "worth", "wanted", "still missing"
    )
    for target in seen.targets:
        for name, one in seen.filters[target.name].items():
            table.add_row(
                target.name,
                name,
                hours(one.accepted_s),
                hours(one.expected_s),
                hours(one.expected_worth_s),
                hours(one.wanted_s),
                hours(one.missing_s),
            )
    return table
