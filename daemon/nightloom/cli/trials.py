"""`nightloom trials`: many nights by chance, judged by the observer; a seed replays alone."""

import argparse
import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from statistics import median
from typing import TypedDict

from rich import box
from rich.console import Console
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table

from nightloom.cli.answers import DONE, FAILED
from nightloom.errors import BadInput
from nightloom.trials import Campaign, Outcome, by_trouble, digest, play_trial, played_nights
from nightloom_drivers.clock import real_monotonic_s
from nightloom_drivers.sent import Sent

NIGHTS_MAX, JOBS_MAX = 1_000_000, 256


class TrialsFigures(TypedDict):
    """What a campaign came to."""

    nights: int
    first: int
    send: str
    violations: int
    broken: list[dict[str, object]]
    by_trouble: dict[str, dict[str, int]]
    digest: str
    nights_per_s: float
    wall_s: float


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument("--nights", type=int, default=20, help="how many (default: 20)")
    parser.add_argument("--first", type=int, default=1, metavar="SEED", help="seed of the first")
    parser.add_argument(
        "--jobs",
        type=int,
        default=len(os.sched_getaffinity(0)),
        help="processes side by side; what comes out does not hang on it (default: one a core)",
    )
    parser.add_argument(
        "--send",
        choices=[str(sent) for sent in Sent],
        default=str(Sent.STARS),
        help="what the simulated cameras send: the stars of frames of up to 62 megapixels, or small"
        " pictures (default: stars)",
    )
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FOLDER",
        help="with one night, where its frames, log and ledger are left",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    """Play the nights; fails when a promise was broken in one of them."""
    campaign = _campaign(arguments)
    began_s = real_monotonic_s()
    outcomes: list[Outcome] = []
    console = Console(stderr=True, highlight=False, soft_wrap=True)
    with _progress(campaign, console) as show:
        for one in _outcomes(campaign, arguments.out):
            outcomes.append(one)
            for line in _broken(one, campaign):
                console.print(line, markup=False)
            show(outcomes)
    figures = _figures(campaign, outcomes, real_monotonic_s() - began_s)
    if arguments.json:
        print(json.dumps(figures))
    else:
        _print(figures, outcomes)
    return FAILED if figures["violations"] else DONE


def _campaign(arguments: argparse.Namespace) -> Campaign:
    """What was asked for. Raises BadInput."""
    if not 1 <= arguments.nights <= NIGHTS_MAX:
        raise BadInput(f"--nights {arguments.nights} must be from 1 to {NIGHTS_MAX}.")
    if arguments.first < 0:
        raise BadInput(f"--first {arguments.first} must not be negative.")
    if not 1 <= arguments.jobs <= JOBS_MAX:
        raise BadInput(f"--jobs {arguments.jobs} must be from 1 to {JOBS_MAX}.")
    if arguments.out is not None and arguments.nights > 1:
        raise BadInput("--out keeps the files of one night; say --nights 1.")
    jobs = min(arguments.jobs, arguments.nights)
    return Campaign(arguments.nights, arguments.first, jobs, Sent(arguments.send))


def _outcomes(campaign: Campaign, out: Path | None) -> Iterator[Outcome]:
    """One after another as they come. Raises BadInput for a folder that will not do."""
    if out is None:
        yield from played_nights(campaign)
        return
    if out.exists() and any(out.iterdir()):
        raise BadInput(f"--out {out} is not empty; name another folder.")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadInput(f"--out {out} cannot be written: {error.strerror}.") from None
    yield play_trial(campaign.first, campaign.sent, out.absolute())


def _broken(one: Outcome, campaign: Campaign) -> Iterator[str]:
    """What a night broke, and the command that plays it alone."""
    if one.violations:
        yield f"seed {one.seed}, night {one.night}, {', '.join(one.kinds) or 'no trouble'}:"
        yield from (f"  {violation}" for violation in one.violations)
        yield f"  log {one.log_sha256}; alone: {replay(one, campaign)}"


def replay(one: Outcome, campaign: Campaign) -> str:
    """The command that plays the night of an outcome alone, and keeps its log."""
    send = "" if campaign.sent is Sent.STARS else f" --send {campaign.sent}"
    return f"nightloom trials --nights 1 --first {one.seed}{send} --out seed{one.seed}"


def _figures(campaign: Campaign, outcomes: list[Outcome], wall_s: float) -> TrialsFigures:
    broken = [one for one in outcomes if one.violations]
    return {
        "nights": len(outcomes),
        "first": campaign.first,
        "send": str(campaign.sent),
        "violations": sum(len(one.violations) for one in broken),
        "broken": [asdict(one) | {"replay": replay(one, campaign)} for one in broken],
        "by_trouble": {kind: asdict(one) for kind, one in by_trouble(outcomes).items()},
        "digest": digest(outcomes),
        "nights_per_s": round(len(outcomes) / wall_s, 3),
        "wall_s": round(wall_s, 1),
    }


def _print(figures: TrialsFigures, outcomes: list[Outcome]) -> None:
    console = Console(highlight=False)
    table = Table(box=box.SIMPLE, title=f"{figures['nights']} nights by kind of trouble")
    for column, justify in (("trouble", "left"), ("nights", "right"), ("broken", "right")):
        table.add_column(column, justify="right" if justify == "right" else "left")
    for kind, one in figures["by_trouble"].items():
        table.add_row(kind, str(one["nights"]), str(one["broken"] or ""))
    console.print(table)
    hours = median(one.dark_h for one in outcomes)
    console.print(f"  median night {hours:.1f} h, {sum(one.subs for one in outcomes)} subs in all")
    console.print(f"  {figures['nights_per_s']:g} nights a second, {figures['wall_s']:g} s in all")
    console.print(f"  promises broken: {figures['violations']} in {len(figures['broken'])} nights")
    console.print(f"  digest {figures['digest']}", soft_wrap=True)


@contextmanager
def _progress(campaign: Campaign, console: Console) -> Iterator[Callable[[list[Outcome]], None]]:
    """Give what draws how far a campaign has come: nothing at all in a pipe."""
    if not console.is_terminal:
        yield lambda _: None
        return
    with Live(console=console, refresh_per_second=4, transient=True) as live:

        def show(outcomes: list[Outcome]) -> None:
            row = Table.grid(padding=(0, 2))
            violations = sum(len(one.violations) for one in outcomes)
            row.add_row(
                f"{len(outcomes)} of {campaign.nights} nights",
                ProgressBar(campaign.nights, len(outcomes), width=30),
                f"promises broken: {violations}",
            )
            live.update(row)

        show([])
        yield show
