"""What small things cost that happen often, or that somebody waits for, in processor time.

Each is also told as a multiple of a plain Python loop timed in the same run, so that a slow machine
does not matter; with `--limits` it fails where a multiple is beyond what was promised.
Run: python tests/benchmarks/rule_times.py [--limits]
"""

import argparse
import subprocess
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from time import process_time

import numpy as np
from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from cycle.test_weave import COSTS, each_pair, multisets, named
from devices.test_simulated_rig import guide_exposures
from nightloom.cycle import GapCosts, weave
from nightloom.sky import NightTable, Site, night_span
from nightloom_drivers.virtual_loop import run_virtual

LARKFOLD = Site(47.1, 9.6, 820.0)
LOOP_STEPS = 1_000_000  # of the loop that everything is compared with: some 30 ms
EXPOSURES = 200


def loop_s() -> float:
    """The best of five plain loops."""
    return min(timed(lambda: sum(step & 7 for step in range(LOOP_STEPS))) for _ in range(5))


def timed(work: Callable[[], object]) -> float:
    """Seconds of processor time."""
    began_s = process_time()
    work()
    return process_time() - began_s


def slowest_weave_s(subs: range) -> float:
    """The slowest of all cycles over four filters with so many subs, with one cost a gap."""
    cycles = [counts for number in subs for counts in multisets(number, 4)]
    return max(timed(lambda c=c: weave(named(c), COSTS[0])) for c in cycles)  # type: ignore[misc]


def slowest_weave_of_pairs_s() -> float:
    """The slowest with a time of its own for each pair of filters."""
    random = np.random.default_rng(5)
    times_s = [3.0, 9.0, 30.0]
    slowest_s = 0.0
    for counts in [c for number in range(2, 13) for c in multisets(number, 4)]:
        costs = GapCosts(1, each_pair(named(counts), random, times_s), 11)
        slowest_s = max(slowest_s, timed(lambda c=counts, k=costs: weave(named(c), k)))  # type: ignore[misc]
    return slowest_s


def table_s() -> float:
    """A day at one-minute steps for eight targets."""
    span = night_span(LARKFOLD, date(2026, 11, 14))
    places = {str(number): (45.0 * number, 40.0) for number in range(8)}
    return timed(lambda: NightTable(LARKFOLD, span, places))


def guide_exposure_s() -> float:
    """One exposure of a guide camera with its simulator: ten thousand make a night."""
    return min(timed(lambda: run_virtual(guide_exposures(EXPOSURES))) for _ in range(3)) / EXPOSURES


def command_s() -> float:
    """The whole program, from its start to a woven cycle, imports included."""
    words = ["weave", "L:4x120", "R:3x120", "G:3x120", "B:2x120", "--json"]
    script = (
        "import sys, time; from nightloom.cli import main; main(sys.argv[1:]);"
        "print(time.process_time())"
    )
    ended = subprocess.run([sys.executable, "-c", script, *words], check=True, capture_output=True)
    return float(ended.stdout.splitlines()[-1])


# What, how long it takes, and the most it may take in loops (of some 30 ms on a small machine).
FIGURES: list[tuple[str, Callable[[], float], float]] = [
    ("weave of up to 7 subs", lambda: slowest_weave_s(range(1, 8)), 0.5),
    ("weave of up to 12 subs", lambda: slowest_weave_s(range(8, 13)), 3.0),
    ("weave of up to 12 subs, a cost for each pair", slowest_weave_of_pairs_s, 6.0),
    ("the sky of a day, eight targets", table_s, 10.0),
    ("a guide exposure, simulated", guide_exposure_s, 0.05),
    ("the weave command, from its start", command_s, 30.0),
]


def main() -> int:
    """Measure, print, and say what is out of its limits."""
    asked = argparse.ArgumentParser(description="Times small things against a plain loop.")
    asked.add_argument("--limits", action="store_true", help="fail where a limit is broken")
    options = asked.parse_args()
    unit_s = loop_s()
    shown = Table("what", "ms", "loops", "at most", title=f"one loop: {1000 * unit_s:.0f} ms")
    broken = False
    for what, measure_s, most in FIGURES:
        took_s = measure_s()
        broken |= took_s > most * unit_s
        shown.add_row(what, f"{1000 * took_s:.2f}", f"{took_s / unit_s:.2f}", f"{most:g}")
    Console(width=100).print(shown)
    return 1 if broken and options.limits else 0


if __name__ == "__main__":
    sys.exit(main())
