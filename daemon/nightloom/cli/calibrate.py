"""`nightloom calibrate`: the library of calibration frames and what it lacks; `fill` takes them."""

import argparse
import asyncio
import json
import sys
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from rich import box
from rich.console import Console
from rich.table import Table

from nightloom.by_day import fill_library
from nightloom.calibration_frames.library import FOLDER, in_words, needs_of
from nightloom.calibration_frames.needs import DAY_S, Need
from nightloom.cli.answers import DONE, FAILED
from nightloom.cli.configuration import add_config, config_folder, settings_of
from nightloom.cli.run import stoppable
from nightloom.errors import BadInput
from nightloom.executor import Workers
from nightloom.ledger import FILE_NAME, CalibrationFrame, Ledger
from nightloom.night.fill import fill, kinds_by_day
from nightloom.rehearsal import Rehearsal, play_virtually
from nightloom.rig import simulated_settings
from nightloom.safety import NotSafe
from nightloom.seen_sensors import seen_sensors
from nightloom.settings import Settings, demo_folder, read_settings
from nightloom.sky import night_span
from nightloom.telemetry import Log
from nightloom_drivers.clock import WallClock


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument(
        "what",
        nargs="?",
        choices=["show", "fill"],
        default="show",
        help="show what there is and what lacks (default), or fill: take by day what can be taken"
        " parked and closed, which is darks, biases and flats of a light panel",
    )
    add_config(parser)
    parser.add_argument(
        "--ledger",
        type=Path,
        metavar="FILE",
        help=f"show: the ledger (default: {FILE_NAME} in the configured output folder)",
    )
    parser.add_argument(
        "--rehearse",
        type=Path,
        metavar="FOLDER",
        help="fill: on the simulated rig in virtual time, for the lights of a rehearsal that lie"
        " in this folder; the demo observatory unless --config names another",
    )
    parser.add_argument("--seed", type=int, default=1, help="with --rehearse, of what is random")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    """Fill when asked to; then print what the ledger holds. Raises BadInput."""
    if arguments.what == "fill" and arguments.ledger is not None:
        raise BadInput("--ledger goes with show; fill writes into the configured output folder.")
    if arguments.rehearse is not None:
        if arguments.what != "fill":
            raise BadInput("--rehearse goes with fill; show takes --ledger FILE.")
        return _rehearse(arguments)
    settings = settings_of(arguments)
    file: Path = arguments.ledger or settings.observatory.output_folder / FILE_NAME
    _there(file)
    if arguments.what == "fill":
        with Workers() as workers:
            try:
                asyncio.run(_fill(settings, workers))
            except NotSafe as reason:
                print(f"The rig is not safe, look after it now: {reason}.", file=sys.stderr)
                return FAILED
    found = _show(settings, file, WallClock().now(), arguments)
    return _status(settings, found) if arguments.what == "fill" else DONE


async def _fill(settings: Settings, workers: Workers) -> None:
    stop, log = asyncio.Event(), Log(WallClock(), echo=sys.stderr)
    stoppable(stop)
    try:
        await fill_library(settings, workers, log, stop)
    finally:
        log.close()


def _rehearse(arguments: argparse.Namespace) -> int:
    """On the simulated rig, at the noon that follows the last night of the ledger."""
    file: Path = arguments.rehearse / FILE_NAME
    _there(file)
    said = read_settings(demo_folder() if arguments.config is None else config_folder(arguments))
    settings, rig = simulated_settings(said, seen_sensors(said.observatory))
    with Ledger.read(file) as ledger:
        nights = sorted({frame.night for frame in ledger.frames()})
    if not nights:
        raise BadInput(f"The ledger {file} holds no lights, so that nothing is to be matched.")
    night = date.fromisoformat(nights[-1]) + timedelta(days=1)
    rehearsal = Rehearsal(
        settings, rig, night, arguments.rehearse.absolute(), arguments.seed, by_day=fill
    )
    played = play_virtually(rehearsal)
    evening_s = night_span(settings.observatory.site.place, night).start_unix_s + DAY_S / 4
    found = _show(settings, file, datetime.fromtimestamp(evening_s, UTC), arguments)
    for violation in played.violations:
        print(f"broken: {violation}", file=sys.stderr)
    return FAILED if played.violations else _status(settings, found)


def _there(file: Path) -> None:
    if not file.is_file():
        raise BadInput(f"There is no ledger {file}: lights come first, and frames that match them.")


def _status(settings: Settings, found: Sequence[Need]) -> int:
    """Whether all is there that can be taken by day."""
    kinds = kinds_by_day(settings)
    return FAILED if any(one.missing and one.kind in kinds for one in found) else DONE


def _show(
    settings: Settings, file: Path, now: datetime, arguments: argparse.Namespace
) -> tuple[Need, ...]:
    with Ledger.read(file) as ledger:
        frames = ledger.calibration_frames()
        found = needs_of(ledger, settings, now)
    if arguments.json:
        print(json.dumps(as_json(file, frames, found, now)))
    else:
        _print(file, frames, found, now)
    return found


def as_json(
    file: Path, frames: Sequence[CalibrationFrame], found: Sequence[Need], now: datetime
) -> dict[str, object]:
    """The library and the needs; what is not known, or does not apply, is null."""
    return {
        "ledger": str(file),
        "folder": str(file.parent / FOLDER),
        "frames": [
            {
                "uid": one.uid,
                "kind": one.kind.value,
                "filter": one.filter or None,
                "exposure_s": one.exposure_s,
                "gain": one.gain,
                "offset": one.camera_offset,
                "binning": one.binning,
                "sensor_c": one.sensor_c,
                "rotation_deg": one.rotation_deg,
                "level_adu": round(one.level_adu, 1),
                "age_days": round(_age_days(one, now), 2),
                "path": one.path,
                "sha256": one.sha256,
            }
            for one in frames
        ],
        "needs": [
            {
                "kind": one.kind.value,
                "filter": one.filter or None,
                "exposure_s": one.exposure_s,
                "gain": one.gain,
                "offset": one.offset,
                "binning": one.binning,
                "sensor_c": one.sensor_c,
                "rotation_deg": one.rotation_deg,
                "wanted": one.wanted,
                "fresh": one.fresh,
                "too_old": one.too_old,
                "missing": one.missing,
            }
            for one in found
        ],
        "complete": not any(one.missing for one in found),
    }


def _age_days(frame: CalibrationFrame, now: datetime) -> float:
    return (now - frame.start_utc).total_seconds() / DAY_S


def _print(
    file: Path, frames: Sequence[CalibrationFrame], found: Sequence[Need], now: datetime
) -> None:
    console = Console(highlight=False)
    table = Table(
        title="Calibration frames that the lights ask for",
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
    )
    table.add_column("frames", overflow="fold")
    for heading in ("gain", "offset", "binning", "has", "too old", "wanted", "missing"):
        table.add_column(heading, justify="right", overflow="fold")
    for one in found:
        settings = ["-" if part is None else f"{part:g}" for part in (one.gain, one.offset)]
        counts = (one.fresh, one.too_old, one.wanted, one.missing or "-")
        table.add_row(in_words(one), *settings, str(one.binning), *map(str, counts))
    console.print(table)
    oldest = max((_age_days(one, now) for one in frames), default=0.0)
    kept = f", the oldest {oldest:.0f} days old, in {file.parent / FOLDER}" if frames else ""
    console.print(f"  {len(frames)} frames in the library{kept}")
