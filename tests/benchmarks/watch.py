"""Focus told by the subs themselves, against looks alone and the plain rule.

    python tests/benchmarks/watch.py [NIGHTS] [--limits]

Each row is NIGHTS (100) simulated nights of star sizes. *Sway* is the daemon's way: the focuser
stands by turns a little either side of best focus. *Looks* is the same without the sway, so that
only looks tell; the plain rule takes a curve when stars grew by 5 % over 15 subs of a filter
(common practice, no source). "Looks" are checks of 35 s and "by age" those that no alarm asked for;
"curves" are those beyond the first; "lost" is the shutter time that both took, in seconds a night.
"Growth" is by how much focus alone made the subs' stars larger: median, 95 of a hundred, and the
largest of a night in the middle of the nights; it holds the sway itself. No guide means that no
guide stars tell the seeing.

With `--limits` it fails where the sway misses a figure that is promised of it.
"""

import argparse
import math
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from focusing.star_sizes import ZONE_STEPS, Air, Night
from focusing.watched import LOOK_S, Outcome, Watcher, plain_night, watch_night

BEGINS_S = 2 * 3600.0
FALSE_ALARMS_PER_NIGHT = 2.0
CURVE_S = 60.0
AIRS = {"usual air": Air(), "seeing ±40 %": Air(0.05, 900.0, 0.4)}


def steady(_: float) -> float:
    """Focus that stays."""
    return 0.0


def drift(at_s: float, begins_s: float = BEGINS_S) -> float:
    """One zone an hour, from a moment on."""
    return ZONE_STEPS * max(0.0, at_s - begins_s) / 3600.0


def wander(at_s: float) -> float:
    """A third of a zone either way: by an hour and a half's cooling, and by what bends."""
    slow = 9.0 * math.sin(2.0 * math.pi * at_s / (5.0 * 3600.0))
    return slow + 4.0 * math.sin(2.0 * math.pi * at_s / 7200.0)


def step(at_s: float) -> float:
    """One zone at once."""
    return 0.0 if at_s < BEGINS_S else ZONE_STEPS


@dataclass(frozen=True)
class Row:
    """One kind of night, and what is promised of the sway in it: so many looks a night at most,
    curves in ten nights, and growth of the subs, in the median and in 95 of a hundred.
    """

    name: str
    air: Air
    guided: bool
    defocus: Callable[[float], float]
    hours: float
    looks_max: float = math.inf
    curves_max: float = math.inf
    median_max: float = math.inf
    most_max: float = math.inf


def rows() -> Iterator[Row]:
    """The kinds of nights that are tried."""
    cold = partial(drift, begins_s=0.0)
    for name, air in AIRS.items():
        for guided in (True, False):
            label = f"{name}, {'guide stars' if guided else 'no guide'}"
            few = 1.5 * FALSE_ALARMS_PER_NIGHT
            kept = (0.01, 0.08) if guided else (0.02, 0.15)
            yield Row(f"steady, {label}", air, guided, steady, 8.0, few, 1.0, *kept)
            yield Row(f"wandering, {label}", air, guided, wander, 8.0, 2.0 * few, 1.0, *kept)
            yield Row(f"zone an hour, {label}", air, guided, drift, 4.0, few, 1.0, *kept)
            yield Row(f"the same from the first sub, {label}", air, guided, cold, 2.0, few, 1.0)
            yield Row(f"step of a zone, {label}", air, guided, step, 3.0, few, 11.0)


def live(row: Row, watcher: Watcher, seed: int) -> Outcome:
    """One night of a kind."""
    return watcher(Night(seed, row.air, row.guided, row.defocus, hours=row.hours))


@dataclass(frozen=True)
class Figures:
    """What came of many nights of a kind; growths are fractions."""

    looks: float
    aged: float
    curves: float
    median: float
    most: float
    largest: float

    def __str__(self) -> str:
        lost_s = LOOK_S * self.looks + CURVE_S * self.curves / 10.0
        return (
            f"{self.looks:7.2f} {self.aged:7.2f} {self.curves:8.1f} {lost_s:6.0f}"
            f" {self.median:8.2%} {self.most:7.2%} {self.largest:7.1%}"
        )


def figures(outcomes: list[Outcome]) -> Figures:
    """The figures of a kind of night."""
    growths = np.concatenate([outcome.growths for outcome in outcomes])
    return Figures(
        looks=float(np.mean([len(outcome.looks_s) for outcome in outcomes])),
        aged=float(np.mean([outcome.aged for outcome in outcomes])),
        curves=10.0 * float(np.mean([outcome.curves for outcome in outcomes])),
        median=float(np.median(growths)),
        most=float(np.quantile(growths, 0.95)),
        largest=float(np.median([outcome.largest_growth for outcome in outcomes])),
    )


def missed(row: Row, seen: Figures) -> Iterator[str]:
    """Promises of a kind of night that the sway did not keep."""
    for what, most in (
        ("looks", row.looks_max),
        ("curves", row.curves_max),
        ("median", row.median_max),
        ("most", row.most_max),
    ):
        if getattr(seen, what) > most:
            yield f"{row.name}: {what} {getattr(seen, what):.3g}, promised {most:g}"


def main() -> int:
    """Print the table, and say which promises were missed."""
    asked = argparse.ArgumentParser(description="Holds the sway against looks and the plain rule.")
    asked.add_argument("nights", nargs="?", type=int, default=100)
    asked.add_argument("--limits", action="store_true", help="fail where a promise is missed")
    options = asked.parse_args()
    ways: dict[str, Watcher] = {
        "sway": partial(watch_night, false_alarms_per_night=FALSE_ALARMS_PER_NIGHT),
        "looks": partial(
            watch_night, false_alarms_per_night=FALSE_ALARMS_PER_NIGHT, sway_growth=0.0
        ),
        "plain rule": plain_night,
    }
    print(f"{'':62}  looks  by age   curves   lost   growth of the subs")
    print(f"{'':62} /night  /night   /10 n.      s   median     95% largest")
    broken: list[str] = []
    with ProcessPoolExecutor(2) as pool:
        for row in rows():
            for label, watcher in ways.items():
                nights = pool.map(partial(live, row, watcher), range(options.nights), chunksize=5)
                seen = figures(list(nights))
                print(f"{row.name + ': ' + label:62}{seen}", flush=True)
                if label == "sway":
                    broken += missed(row, seen)
    for line in broken:
        print(f"missed: {line}")
    return 1 if broken and options.limits else 0


if __name__ == "__main__":
    sys.exit(main())
