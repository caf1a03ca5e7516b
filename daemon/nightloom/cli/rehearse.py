"""`nightloom rehearse`: a whole night through the simulated rig, in minutes."""

import argparse
import asyncio
import json
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table

from nightloom.arithmetic import Arithmetic, InLine, Threads, Workers
from nightloom.cli.answers import DONE, FAILED
from nightloom.cli.configuration import config_folder
from nightloom.cli.progress import progress
from nightloom.errors import BadInput
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.account import Account
from nightloom.night.assembly import build_context
from nightloom.night.course import cycle_of
from nightloom.night.night import Night
from nightloom.night.programme import NoDarkness, Programme, darkness, ready_from_s, site_of
from nightloom.night.promises import Promises
from nightloom.rig import assemble, served_link, simulated_link, simulated_settings, simulated_sky
from nightloom.settings import Settings, demo_folder, read_settings
from nightloom.sky import night_of
from nightloom.solving import CatalogueSolver
from nightloom.telemetry import Log, log_sha256
from nightloom_drivers.clock import LoopClock, ScaledTimeLoop, WallClock, real_monotonic_s
from nightloom_drivers.link import Link
from nightloom_drivers.physics.settings import RigSettings
from nightloom_drivers.virtual_loop import run_virtual

DEMO_NIGHT = date(2026, 11, 10)
"""A long night a day after new Moon, for which the demo observatory's targets were chosen."""

MEASURING_S = 0.2
"""What measuring or solving a frame costs on the night's clock when it is done in line."""

SPEED_MAX = 200.0
"""Beyond it a rehearsal over a socket is late for everything."""


@dataclass(frozen=True)
class Rehearsal:
    """What is rehearsed, and where it goes."""

    settings: Settings
    rig: RigSettings
    night: date
    seed: int
    hours_max: float | None
    out: Path
    frames: bool

    @property
    def starts_s(self) -> float:
        """When the rehearsed daemon wakes up."""
        dark = darkness(self.settings, self.night, self.hours_max)
        return ready_from_s(self.settings, dark)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument(
        "--config",
        type=Path,
        metavar="FOLDER",
        help="folder of the configuration (default: the demo observatory)",
    )
    parser.add_argument(
        "--night",
        type=_night,
        metavar="DATE",
        help="date of the evening, such as 2026-11-10 (default: tonight, or the demo's night)",
    )
    parser.add_argument("--hours", type=float, help="end after so many dark hours")
    parser.add_argument("--seed", type=int, default=1, help="of everything that is random")
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FOLDER",
        help="where frames, log and ledger go (default: a new folder under rehearsals/)",
    )
    parser.add_argument("--no-frames", action="store_true", help="write no frames")
    parser.add_argument("--indi", action="store_true", help="go through a real INDI socket")
    parser.add_argument(
        "--speed", type=float, default=60.0, help="with --indi, seconds that pass in a second"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    """Rehearse, and print what the night came to; fails when a promise was broken."""
    began_s = real_monotonic_s()
    rehearsal = _rehearsal(arguments)
    account, promises = _play(rehearsal, arguments)
    figures = {
        **account.figures(),
        "unevenness": round(promises.unevenness, 4),
        "violations": promises.violations,
        "wall_s": round(real_monotonic_s() - began_s, 1),
        "log_sha256": log_sha256(_log_file(rehearsal)),
        "out": str(rehearsal.out),
    }
    if arguments.json:
        print(json.dumps(figures))
    else:
        _print(figures)
    return FAILED if promises.violations else DONE


def _rehearsal(arguments: argparse.Namespace) -> Rehearsal:
    """What was asked for. Raises BadInput."""
    demo = arguments.config is None
    said = read_settings(demo_folder() if demo else config_folder(arguments))
    settings, rig = simulated_settings(said)
    night = arguments.night or (
        DEMO_NIGHT if demo else night_of(WallClock().unix_s(), site_of(settings))
    )
    if arguments.seed < 0:
        raise BadInput(f"--seed {arguments.seed} must be 0 or more.")
    if arguments.hours is not None and not 0 < arguments.hours <= 24:
        raise BadInput(f"--hours {arguments.hours:g} must be above 0 and up to 24.")
    if not 0 < arguments.speed <= SPEED_MAX:
        raise BadInput(f"--speed {arguments.speed:g} must be above 0 and up to {SPEED_MAX:g}.")
    try:
        darkness(settings, night)
    except NoDarkness as error:
        raise BadInput(f"There is nothing to rehearse: {error}.") from None
    out = _out_folder(arguments.out, night, arguments.seed)
    return Rehearsal(
        settings, rig, night, arguments.seed, arguments.hours, out, not arguments.no_frames
    )


def _out_folder(asked: Path | None, night: date, seed: int) -> Path:
    """A folder of this rehearsal's own. Raises BadInput when it cannot be."""
    folder = asked or _unused(Path("rehearsals") / f"{night}-seed{seed}")
    if (folder / FILE_NAME).exists():
        raise BadInput(f"--out {folder} holds a rehearsal already; name another folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "frames").mkdir(exist_ok=True)
    except OSError as error:
        raise BadInput(f"--out {folder} cannot be written: {error.strerror}.") from None
    return folder.absolute()


def _unused(folder: Path) -> Path:
    candidates = (folder.with_name(f"{folder.name}-{n}") for n in range(2, 10_000))
    return folder if not folder.exists() else next(c for c in candidates if not c.exists())


def _play(rehearsal: Rehearsal, arguments: argparse.Namespace) -> tuple[Account, Promises]:
    if not arguments.indi:
        return run_virtual(_virtual(rehearsal))
    origin_s = real_monotonic_s()
    with asyncio.Runner(loop_factory=lambda: ScaledTimeLoop(arguments.speed, origin_s)) as runner:
        return runner.run(_served(rehearsal, arguments.speed, origin_s))


async def _virtual(rehearsal: Rehearsal) -> tuple[Account, Promises]:
    clock = LoopClock(rehearsal.starts_s)
    link = simulated_link(rehearsal.rig, clock, rehearsal.seed)
    return await _through(rehearsal, link, clock, InLine(MEASURING_S), InLine())


async def _served(rehearsal: Rehearsal, speed: float, origin_s: float) -> tuple[Account, Promises]:
    clock = LoopClock(rehearsal.starts_s)
    with Workers() as workers:
        async with served_link(
            rehearsal.rig, rehearsal.seed, speed, rehearsal.starts_s, origin_s
        ) as link:
            return await _through(rehearsal, link, clock, workers, Threads())


async def _through(
    rehearsal: Rehearsal, link: Link, clock: LoopClock, compute: Arithmetic, store: Arithmetic
) -> tuple[Account, Promises]:
    """One night over a link, followed by its account and its promises."""
    settings = rehearsal.settings
    account = Account()
    promises = Promises({t.name: cycle_of(t) for t in settings.targets.targets})
    frames_folder = rehearsal.out / "frames" if rehearsal.frames else None
    async with link:
        with Ledger(rehearsal.out / FILE_NAME) as ledger, ExitStack() as stack:
            programme = Programme(settings, rehearsal.night, clock, ledger, rehearsal.hours_max)
            log = Log(clock, path=_log_file(rehearsal))
            stack.callback(log.close)
            stack.enter_context(log.listen(account.observe))
            stack.enter_context(log.listen(promises.observe))
            ends_s = programme.dark.end_unix_s
            stack.enter_context(progress(log, account, ends_s, Console(stderr=True)))
            context = build_context(
                settings,
                assemble(link, settings.observatory, clock),
                programme,
                frames_folder=frames_folder,
                ledger=ledger,
                log=log,
                clock=clock,
                solver=CatalogueSolver(simulated_sky(rehearsal.rig), compute),
                compute=compute,
                store=store,
                seed=rehearsal.seed,
            )
            await Night(context).run()
            promises.audit(ledger, str(rehearsal.night), frames_folder)
    return account, promises


def _log_file(rehearsal: Rehearsal) -> Path:
    return rehearsal.out / f"{rehearsal.night}.jsonl"


def _print(figures: dict[str, Any]) -> None:
    """The closing table."""
    console = Console()
    subs = Table(box=box.SIMPLE, title=f"Night of {figures['night']}")
    for column in ("filter", "accepted", "rejected"):
        subs.add_column(column, justify="left" if column == "filter" else "right")
    accepted_s, rejected_s = figures["accepted_s"], figures["rejected_s"]
    for name in sorted({*accepted_s, *rejected_s}):
        subs.add_row(name, _minutes(accepted_s.get(name, 0)), _minutes(rejected_s.get(name, 0)))
    console.print(subs)
    rows = Table(box=None, show_header=False, padding=(0, 2))
    rows.add_row("dark", _minutes(figures["dark_s"]))
    rows.add_row("clear", _minutes(figures["clear_s"]))
    rows.add_row("shutter open", f"{_minutes(figures['open_s'])}, {figures['open_fraction']:.1%}")
    rows.add_row("dithers", str(figures["dithers"]))
    rows.add_row("focus curves", str(figures["focus_runs"]))
    rows.add_row("shelters", str(figures["shelters"]))
    rows.add_row("guide error", f"{figures['guide_rms_arcsec'] or 0:.2f}″ rms")
    rows.add_row("uneven by", f"{figures['unevenness']:.2f} cycles at most")
    rows.add_row("promises broken", str(len(figures["violations"])))
    rows.add_row("took", f"{figures['wall_s']:.0f} s")
    rows.add_row("written to", figures["out"])
    console.print(rows)
    for violation in figures["violations"]:
        console.print(f"  broken: {violation}")


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:.0f} min"


def _night(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date such as 2026-11-10") from None
