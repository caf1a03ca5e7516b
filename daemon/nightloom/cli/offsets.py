"""`nightloom offsets`: what focusing taught about the filters; `offsets measure` takes curves."""

import argparse
import json
import math
from dataclasses import replace
from pathlib import Path

from rich import box
from rich.console import Console
from rich.table import Table

from nightloom.cli.answers import DONE, FAILED
from nightloom.cli.configuration import add_config, settings_of
from nightloom.cli.focus_picture import curves_sheet, offsets_sheet
from nightloom.cli.picture import save
from nightloom.cli.rehearse import add_rehearsal, rehearsal_of
from nightloom.cli.run import in_the_foreground
from nightloom.errors import BadInput
from nightloom.focusing import Offset, Offsets, Trust
from nightloom.focusing.learned import adopted_offsets, learned_offsets, zone_steps
from nightloom.ledger import FILE_NAME, Curve, Ledger
from nightloom.night.offset_run import OffsetRun, measured_filters
from nightloom.rehearsal import play_virtually
from nightloom.settings import Settings
from nightloom.settings.observatory import Observatory

ROUNDS_MAX = 10
CURVES_SHOWN = 24
"""The latest ones, in a picture of curves."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument(
        "what",
        nargs="?",
        choices=["show", "measure"],
        default="show",
        help="show what is known (default), or measure: curves through the filters, in the next"
        " dark hours",
    )
    add_config(parser)
    parser.add_argument(
        "--ledger",
        type=Path,
        metavar="FILE",
        help=f"the ledger (default: {FILE_NAME} in the configured output folder)",
    )
    parser.add_argument("--picture", type=Path, metavar="FILE", help="draw the offsets, as SVG")
    parser.add_argument(
        "--curves", type=Path, metavar="FILE", help="draw the latest curves, as SVG"
    )
    parser.add_argument("--rounds", type=int, default=2, help="measure: rounds through the filters")
    parser.add_argument(
        "--filters", metavar="L,R,…", help="measure: these filters (default: those of the targets)"
    )
    parser.add_argument(
        "--rehearse", action="store_true", help="measure: on the simulated rig, in virtual time"
    )
    add_rehearsal(parser.add_argument_group("with --rehearse"))
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    """Measure when asked to; then print, and draw, what the ledger teaches."""
    if arguments.what == "show":
        settings = settings_of(arguments)
        file: Path = arguments.ledger or settings.observatory.output_folder / FILE_NAME
        return _show(settings, file, arguments)
    if not 1 <= arguments.rounds <= ROUNDS_MAX:
        raise BadInput(f"--rounds {arguments.rounds} must be from 1 to {ROUNDS_MAX}.")
    if arguments.rehearse:
        rehearsal = rehearsal_of(arguments)
        gathering = _offset_run(rehearsal.settings, arguments).gather
        played = play_virtually(replace(rehearsal, gathering=gathering))
        status = _show(rehearsal.settings, rehearsal.out / FILE_NAME, arguments)
        return FAILED if played.violations else status
    settings = settings_of(arguments)
    gathering = _offset_run(settings, arguments).gather
    status = in_the_foreground(lambda: settings, 1, gathering)
    if status != DONE:
        return status
    return _show(settings, settings.observatory.output_folder / FILE_NAME, arguments)


def _offset_run(settings: Settings, arguments: argparse.Namespace) -> OffsetRun:
    """The run through the named filters. Raises BadInput."""
    filters = measured_filters(settings)
    if arguments.filters is not None:
        filters = arguments.filters.split(",")
        slots = settings.observatory.wheel.slots
        for name in filters:
            if name not in slots:
                raise BadInput(f"--filters: there is no {name} in the wheel ({', '.join(slots)}).")
    return OffsetRun(filters, arguments.rounds)


def _show(settings: Settings, file: Path, arguments: argparse.Namespace) -> int:
    """Print and draw. Raises BadInput without a ledger or a curve."""
    if not file.is_file():
        raise BadInput(f"There is no ledger {file}; name another file with --ledger.")
    observatory = settings.observatory
    with Ledger.read(file) as ledger:
        learned, curves = learned_offsets(ledger, observatory), ledger.curves()
    if learned is None:
        raise BadInput(f"The ledger {file} holds no accepted focus curve of these filters yet.")
    if arguments.picture or arguments.curves:
        _draw(observatory, learned, curves, arguments)
    if arguments.json:
        print(json.dumps(as_json(observatory, learned, file)))
    else:
        _print(observatory, learned)
    return DONE


def _draw(
    observatory: Observatory,
    learned: Offsets,
    curves: list[Curve],
    arguments: argparse.Namespace,
) -> None:
    if arguments.picture:
        save(offsets_sheet(observatory, learned), arguments.picture, "--picture")
    if arguments.curves:
        save(curves_sheet(observatory, curves[-CURVES_SHOWN:]), arguments.curves, "--curves")


def as_json(observatory: Observatory, learned: Offsets, file: Path) -> dict[str, object]:
    """All of it; positions are steps, an unknown error is null."""
    used = adopted_offsets(learned, observatory)
    return {
        "ledger": str(file),
        "reference": learned.reference,
        "slope_steps_per_c": round(learned.slope_steps_per_c, 3),
        "slope_error_steps_per_c": round(learned.slope_error_steps_per_c, 3),
        "slope_known": learned.slope_known,
        "filters": {
            name: {
                "configured_steps": said.offset_steps,
                "used_steps": round(used[name], 2),
                "zone_steps": round(zone_steps(observatory, name), 2),
                **_learned_json(learned.offsets.get(name), observatory, learned.reference),
            }
            for name, said in observatory.filters.items()
        },
    }


def _learned_json(
    one: Offset | None, observatory: Observatory, reference: str
) -> dict[str, object]:
    if one is None:
        return {
            "learned_steps": None,
            "error_steps": None,
            "curves": 0,
            "checks": 0,
            "verdict": None,
        }
    origin = observatory.filters[reference].offset_steps
    return {
        "learned_steps": round(origin + one.steps, 2),
        "error_steps": round(one.error_steps, 2) if math.isfinite(one.error_steps) else None,
        "curves": one.curves,
        "checks": one.checks,
        "verdict": one.trust.value,
    }


def _print(observatory: Observatory, learned: Offsets) -> None:
    console = Console(highlight=False)
    table = Table(
        title=f"Focus offsets in steps, counted from {learned.reference}",
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        collapse_padding=True,
    )
    table.add_column("filter", overflow="fold")
    for heading in ("configured", "learned", "±", "zone", "curves", "checks", "verdict", "used"):
        table.add_column(heading, justify="right", overflow="fold")
    used = adopted_offsets(learned, observatory)
    for name, said in observatory.filters.items():
        one = learned.offsets.get(name)
        unknown = ("-", "-", "0", "0", "-")
        told, error, *rest = unknown if one is None else _cells(one, observatory, learned.reference)
        zone = f"{zone_steps(observatory, name):.0f}"
        table.add_row(name, f"{said.offset_steps}", told, error, zone, *rest, f"{used[name]:.1f}")
    console.print(table)
    known = "known" if learned.slope_known else "not known well enough to be used"
    console.print(
        f"  temperature slope {learned.slope_steps_per_c:+.2f}"
        f" ± {learned.slope_error_steps_per_c:.2f} steps/°C, {known}"
    )


def _cells(one: Offset, observatory: Observatory, reference: str) -> tuple[str, ...]:
    origin = observatory.filters[reference].offset_steps
    error = f"{one.error_steps:.1f}" if math.isfinite(one.error_steps) else "?"
    style = {Trust.GOOD: "green", Trust.THIN: "yellow", Trust.CONTRADICTORY: "red"}[one.trust]
    verdict = f"[{style}]{one.trust.value}[/]"
    return f"{origin + one.steps:.1f}", error, str(one.curves), str(one.checks), verdict
