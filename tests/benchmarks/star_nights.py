"""Seeded demo nights at star lists: what they came to, and what their focus cost.

    python tests/benchmarks/star_nights.py [--nights 20] [--first 100] [--jobs 2] [--hours H]
                                           [--scatter 0.15] [--json]

Each line is one night under seeing that wanders, by `--scatter` of its logarithm: open time over
the bound, unevenness in cycles, rejected subs, focus curves, checks, and how many of these found
focus where it was, within a third of the critical focus zone; then by how much defocus alone had
widened the stars of its subs, in the median and for the worst twentieth, which is the simulated
rig's truth; violations, and the time it took. The medians follow. What a night comes to does not
depend on the number of jobs. The exit status is 1 when a promise was broken.
"""

import argparse
import json
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from functools import partial
from pathlib import Path
from statistics import median

import numpy as np

from nightloom.cli.rehearse import DEMO_NIGHT
from nightloom.focusing.learned import zone_steps
from nightloom.night.summary import NightSummary
from nightloom.rehearsal import Played, Rehearsal, play_virtually
from nightloom.rig import simulated_settings
from nightloom.settings import demo_folder, read_settings
from nightloom.telemetry import Event, Listener
from nightloom.telemetry.events import FocusChecked
from nightloom_drivers.clock import real_monotonic_s
from nightloom_drivers.sent import Sent

AS_IT_WAS_ZONES = 1 / 3


@dataclass(frozen=True)
class Outcome:
    """What one night came to; `as_it_was` are checks that found focus where it was."""

    seed: int
    open_over_bound: float
    unevenness: float
    rejected: int
    curves: int
    checks: int
    as_it_was: int
    growth_percent: float
    growth_worst_percent: float
    violations: list[str]
    wall_s: float


HEADS = ("seed", "open", "uneven", "reject", "curves", "checks", "as was", "growth", "worst")
FORMATS = ("4d", ".4f", ".3f", "d", "d", "d", "d", ".2f", ".2f")


def played(seed: int, hours: float | None, scatter: float) -> Outcome:
    """One night, whose files are thrown away."""
    began_s = real_monotonic_s()
    settings, rig = simulated_settings(read_settings(demo_folder()))
    air = rig.atmosphere.model_copy(update={"seeing_log_scatter": scatter})
    rig = rig.model_copy(update={"atmosphere": air})
    checks: list[FocusChecked] = []
    summaries: list[NightSummary] = []

    def note(_: datetime, event: Event) -> None:
        if isinstance(event, FocusChecked):
            checks.append(event)

    def listeners(summary: NightSummary) -> tuple[Listener]:
        summaries.append(summary)
        return (note,)

    with tempfile.TemporaryDirectory() as folder:
        rehearsal = Rehearsal(
            settings, rig, DEMO_NIGHT, Path(folder), seed, hours, frames=False, sent=Sent.STARS
        )
        night = play_virtually(rehearsal, listeners)
    as_it_was = [
        check.estimate_steps is not None
        and abs(check.estimate_steps)
        <= AS_IT_WAS_ZONES * zone_steps(settings.observatory, check.filter)
        for check in checks
    ]
    return _outcome(seed, night, sum(as_it_was), real_monotonic_s() - began_s)


def _outcome(seed: int, night: Played, as_it_was: int, wall_s: float) -> Outcome:
    figures = night.summary.figures()
    growths = [100 * sub.defocus_growth for sub in night.subs] or [float("nan")]
    return Outcome(
        seed,
        figures["open_fraction"] / figures["bound_fraction"] if figures["bound_fraction"] else 0.0,
        night.unevenness,
        night.summary.subs["rejected"],
        figures["focus_runs"],
        figures["focus_checks"],
        as_it_was,
        float(np.median(growths)),
        float(np.quantile(growths, 0.95)),
        night.violations,
        wall_s,
    )


def lines(outcomes: list[Outcome]) -> Iterator[str]:
    """The medians of all figures, and of which seeds promises were broken."""
    numbers = [field.name for field in fields(Outcome)][1 : len(HEADS)]
    medians = [float(median(getattr(one, name) for one in outcomes)) for name in numbers]
    yield (
        " ".join(["med.", *(f"{value:{width(n)}.3f}" for n, value in enumerate(medians, 1))])
        + f" {median(one.wall_s for one in outcomes):6.1f} s"
    )
    broken = [one.seed for one in outcomes if one.violations]
    yield f"broken promises: {', '.join(map(str, broken)) or 'none'}"


def width(column: int) -> int:
    """Of a column of the table."""
    return max(6, len(HEADS[column]))


def line(one: Outcome) -> str:
    """One night."""
    values = list(asdict(one).values())[: len(HEADS)]
    cells = [
        f"{value:{'' if not n else width(n)}{kind}}"
        for n, (value, kind) in enumerate(zip(values, FORMATS, strict=True))
    ]
    return " ".join([*cells, f"{one.wall_s:6.1f} s", *one.violations])


def main() -> int:
    """Play the nights; 1 when a promise was broken."""
    parser = argparse.ArgumentParser(description="Seeded demo nights at star lists.")
    parser.add_argument("--nights", type=int, default=20)
    parser.add_argument("--first", type=int, default=100, help="seed of the first night")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--hours", type=float, help="end each night after so many dark hours")
    parser.add_argument("--scatter", type=float, default=0.15, help="of the seeing's logarithm")
    parser.add_argument("--json", action="store_true", help="print one JSON object a night")
    said = parser.parse_args()
    outcomes: list[Outcome] = []
    if not said.json:
        print(" ".join(f"{head:>{width(n) if n else 0}}" for n, head in enumerate(HEADS)))
    with ProcessPoolExecutor(said.jobs) as pool:
        seeds = range(said.first, said.first + said.nights)
        one_night = partial(played, hours=said.hours, scatter=said.scatter)
        for one in pool.map(one_night, seeds):
            outcomes.append(one)
            print(json.dumps(asdict(one)) if said.json else line(one), flush=True)
    if not said.json:
        print(*lines(outcomes), sep="\n")
    return 1 if any(one.violations for one in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
