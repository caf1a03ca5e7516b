"""`nightloom tally`: accepted seconds for each target and filter against what was asked."""

import argparse
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from rich import box
from rich.console import Console
from rich.table import Table

from nightloom.cli.answers import DONE
from nightloom.cli.configuration import add_config, settings_of
from nightloom.errors import BadInput
from nightloom.ledger import FILE_NAME, FilterTally, Ledger, TargetTally, tally, tally_s
from nightloom.settings import Target, cycle_of

Labelled = tuple[str, TargetTally]
"""A tally and the name of its group, where the target has several."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    add_config(parser)
    parser.add_argument(
        "--ledger",
        type=Path,
        metavar="FILE",
        help=f"the ledger (default: {FILE_NAME} in the configured output folder)",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    """Print the tally of every target, those that are no longer asked for last."""
    settings = settings_of(arguments)
    file: Path = arguments.ledger or settings.observatory.output_folder / FILE_NAME
    asked = settings.targets.targets
    names = {target.name for target in asked}
    if not file.is_file():
        raise BadInput(f"There is no ledger {file}; name another file with --ledger.")
    with Ledger.read(file) as ledger:
        others = [name for name in ledger.targets() if name not in names]
        tallies = [one for target in asked for one in _tallies(ledger, target)]
        tallies += [("", tally(ledger, name, None)) for name in others]
        wholes = dict.fromkeys(target.whole for target in asked if target.number)
        mosaics = [_mosaic(ledger, name, settings.targets.of(name)) for name in wholes]
    if arguments.json:
        told = {"ledger": str(file), "targets": [_as_json(one) for one in tallies]}
        print(json.dumps(told | {"mosaics": [asdict(one) for one in mosaics]}))
    else:
        _print(tallies)
        for one in mosaics:
            Console(highlight=False).print(
                f"{one.mosaic}: {len(one.cycles)} panels, {_hours(sum(one.accepted_s.values()))}"
                f" accepted; from {min(one.cycles):.1f} to {max(one.cycles):.1f} cycles each",
                soft_wrap=True,
            )
    return DONE


@dataclass(frozen=True)
class _Mosaic:
    """What a mosaic has, of all its panels, and the cycles of each by its first group."""

    mosaic: str
    accepted_s: dict[str, float]
    cycles: list[float]


def _mosaic(ledger: Ledger, name: str, panels: tuple[Target, ...]) -> _Mosaic:
    each_s = [tally_s(ledger, panel) for panel in panels]
    group = panels[0].groups[0]
    return _Mosaic(
        name,
        {one: sum(had_s.get(one, 0.0) for had_s in each_s) for one in panels[0].subs},
        [sum(had_s.get(one, 0.0) for one in group.filters) / group.cycle_s for had_s in each_s],
    )


def _tallies(ledger: Ledger, target: Target) -> Iterator[Labelled]:
    """Each group of a target against its shares and wanted hours.

    What no group asks for any more stands with the first.
    """
    several = len(target.groups) > 1
    for number, group in enumerate(target.groups):
        filters = group.filters.items()
        wanted_s = {name: sub.wanted_hours * 3600 for name, sub in filters if sub.wanted_hours}
        depth = target.count == "depth"
        whole = tally(ledger, target.name, cycle_of(group.filters), wanted_s, depth=depth)
        elsewhere = target.subs.keys() - group.filters.keys()
        if number > 0:
            elsewhere |= {row.filter for row in whole.filters} - group.filters.keys()
        rows = tuple(row for row in whole.filters if row.filter not in elsewhere)
        accepted_s = sum(row.accepted_s for row in rows)
        label = group.label if several else ""
        yield label, replace(whole, filters=rows, accepted_s=accepted_s)


def _as_json(labelled: Labelled) -> dict[str, object]:
    label, one = labelled
    return {
        "target": one.target,
        **({"group": label} if label else {}),
        "accepted_s": one.accepted_s,
        "unevenness": round(one.unevenness, 4),
        "filters": {row.filter: _row_as_json(row) for row in one.filters},
    }


def _row_as_json(row: FilterTally) -> dict[str, object]:
    return {
        "accepted_s": row.accepted_s,
        "worth_s": round(row.worth_s, 1),
        "subs": row.subs,
        "rejected": row.rejected,
        "fraction": round(row.fraction, 4),
        "asked_fraction": round(row.asked_fraction, 4),
        "ahead_cycles": round(row.ahead_cycles, 4),
        "wanted_s": row.wanted_s,
    }


def _print(tallies: list[Labelled]) -> None:
    console = Console(highlight=False)
    for label, one in tallies:
        table = Table(
            title=f"{one.target}{f', {label}' if label else ''}: {_hours(one.accepted_s)} accepted,"
            f" uneven by {one.unevenness:.2f} cycles",
            title_justify="left",
            title_style="bold",
            box=box.SIMPLE_HEAD,
        )
        table.add_column("filter", overflow="fold")
        for heading in (
            "accepted",
            "worth",
            "subs",
            "rejected",
            "has",
            "asked",
            "ahead",
            "of wanted",
        ):
            table.add_column(heading, justify="right", overflow="fold")
        for row in one.filters:
            table.add_row(row.filter, *_cells(row))
        console.print(table)


def _cells(row: FilterTally) -> list[str]:
    return [
        _hours(row.accepted_s),
        _hours(row.worth_s),
        str(row.subs),
        str(row.rejected),
        f"{row.fraction:.0%}",
        f"{row.asked_fraction:.0%}" if row.asked_fraction else "-",
        f"{row.ahead_cycles:+.2f}" if row.asked_fraction else "-",
        f"{row.accepted_s / row.wanted_s:.0%}" if row.wanted_s else "-",
    ]


def _hours(seconds: float) -> str:
    return f"{seconds / 3600:.2f} h"
