"""Seeded moments of rain: how long it takes until the roof is closed, whatever goes on.

Prints a line for each moment in which the observer found anything, then how many there were and the
longest and the median time. The exit status is 1 when anything was found or a roof stayed open.
Run: python tests/benchmarks/rain.py [--moments 300] [--first 0] [--workers 2]
"""

import argparse
import math
import statistics
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from rich.console import Console

from safety.rain import Outcome, run_moment


def played(seed: int) -> Outcome:
    """One moment, whose files are thrown away."""
    with tempfile.TemporaryDirectory() as folder:
        return run_moment(seed, Path(folder))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--moments", type=int, default=300)
    parser.add_argument("--first", type=int, default=0, help="seed of the first moment")
    parser.add_argument("--workers", type=int, default=2)
    said = parser.parse_args()
    seeds = range(said.first, said.first + said.moments)
    console = Console(highlight=False, soft_wrap=True)
    outcomes: list[Outcome] = []
    with ProcessPoolExecutor(said.workers) as pool:
        for one in pool.map(played, seeds):
            outcomes.append(one)
            if one.findings or math.isinf(one.closed_s):
                console.print(f"{one.seed:5d}  {one.moment}: closed after {one.closed_s:.0f} s")
                console.print(*(f"       {finding}" for finding in one.findings), sep="\n")
    wrong = [one.seed for one in outcomes if one.findings or math.isinf(one.closed_s)]
    worst = max(outcomes, key=lambda one: one.closed_s)
    median_s = statistics.median(one.closed_s for one in outcomes)
    console.print(
        f"{len(outcomes)} moments, closed after {median_s:.0f} s in the median and"
        f" {worst.closed_s:.0f} s at the longest (seed {worst.seed}, {worst.moment})"
    )
    console.print(f"with findings: {wrong or 'none'}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
