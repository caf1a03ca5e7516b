"""How long a night's plan takes: ten targets through ten hours in five-minute steps.

Run: python tests/benchmarks/plan_times.py
"""

import sys
from collections.abc import Callable
from datetime import date
from functools import partial
from pathlib import Path
from time import process_time

sys.path.insert(0, str(Path(__file__).parents[1]))

from nightloom.schedule import make_plan
from nightloom.schedule.windows import NightWindows
from schedule.outlooks import settings_of, target
from schedule.test_plan import MOVE_S, ten_targets

NIGHTS = 20
MOONLIT = date(2026, 11, 19)


def main() -> None:
    """Print milliseconds of processor time, the mean and the worst."""
    nights = [ten_targets(seed) for seed in range(NIGHTS)]
    report("a plan", [partial(make_plan, *night, move_cost_s=MOVE_S) for night in nights])
    report("windows, sky and a plan", [outlook] * NIGHTS)


def outlook() -> None:
    """Look at a moonlit night over ten targets, and plan it."""
    targets = [
        target(str(n), {"ra_deg": 36.0 * n, "dec_deg": 40.0}, maximum_moonlight_ratio=3.0)
        for n in range(10)
    ]
    night_windows = NightWindows(settings_of(*targets), MOONLIT)
    night_windows.plan(night_windows.dark.start_unix_s, lambda _: {}, lambda _: {})


def report(what: str, works: list[Callable[[], object]]) -> None:
    """Do each piece of work once, and say how long they took."""
    times_s = []
    for work in works:
        begin_s = process_time()
        work()
        times_s.append(process_time() - begin_s)
    mean_s = sum(times_s) / len(times_s)
    print(f"{what}: mean {1000 * mean_s:.0f} ms, worst {1000 * max(times_s):.0f} ms")


if __name__ == "__main__":
    main()
