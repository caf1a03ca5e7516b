"""Whether trials catch daemons that break a promise on purpose, and after how many nights.

    python tests/benchmarks/broken_trials.py [--nights 200] [--first 1] [--only WORD] [--jobs 2]

Each slip is made in a process of its own, which plays nights until the rule is broken. The exit
status is 1 when one of them is not caught.
"""

import argparse
import multiprocessing
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from nightloom_drivers.clock import real_monotonic_s
from trials.broken_daemons import BROKEN


def caught(number: int, first: int, nights: int) -> str:
    """A line about one of them; it ends in "caught" or not."""
    began_s, broken = real_monotonic_s(), BROKEN[number]
    broken.slip(setattr)
    found = broken.caught_at(first, nights)
    took_s = real_monotonic_s() - began_s
    who = f"{broken.rule:20} {broken.slip.__name__:40}"
    if found is None:
        return f"{who} NOT CAUGHT in {nights} nights, {took_s:.0f} s"
    after, outcome = found
    return f"{who} in night {after:3d} (seed {outcome.seed}), {took_s:.0f} s: caught"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=200, help="at most, for each")
    parser.add_argument("--first", type=int, default=1, help="seed of the first night")
    parser.add_argument("--only", default="", help="those with this in their rule or slip")
    parser.add_argument("--jobs", type=int, default=2)
    said = parser.parse_args()
    chosen = [
        number
        for number, one in enumerate(BROKEN)
        if said.only in f"{one.rule} {one.slip.__name__}"
    ]
    spawn = multiprocessing.get_context("spawn")
    lines = []
    with ProcessPoolExecutor(said.jobs, mp_context=spawn, max_tasks_per_child=1) as pool:
        play = partial(caught, first=said.first, nights=said.nights)
        for line in pool.map(play, chosen):
            print(line, flush=True)
            lines.append(line)
    return 0 if chosen and all(line.endswith("caught") for line in lines) else 1


if __name__ == "__main__":
    sys.exit(main())
