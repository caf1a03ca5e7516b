"""How long the plan of a night takes: ten targets through ten hours in five-minute steps.

Run: python tests/benchmarks/plan_times.py
"""

import sys
from pathlib import Path
from time import process_time

sys.path.insert(0, str(Path(__file__).parents[1]))

from nightloom.plan import make_plan
from plan.test_plan import MOVE_S, ten_targets

NIGHTS = 20


def main() -> None:
    """Print milliseconds of processor time a plan, the mean and the worst."""
    times_s = []
    for seed in range(NIGHTS):
        candidates, edges = ten_targets(seed)
        begin_s = process_time()
        make_plan(candidates, edges, MOVE_S)
        times_s.append(process_time() - begin_s)
    print(f"mean {1000 * sum(times_s) / NIGHTS:.0f} ms, worst {1000 * max(times_s):.0f} ms")


if __name__ == "__main__":
    main()
