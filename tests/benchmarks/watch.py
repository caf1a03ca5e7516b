"""The watch for focus drift against the plain rule.

    python tests/benchmarks/watch.py [NIGHTS] [--limits]

Each row is NIGHTS (100) simulated nights of star sizes. "Looks" are checks, those "by age" came
because focus might have drifted since the last one; the plain rule looks by curves. "Curves" are
those beyond scheduled ones, in ten nights. "Growth" is how far stars had grown, by a focus shift
alone, at the first look after it began: median, nine in ten, and the part of nights within 10 %.
No guide means that no guide stars tell the seeing.

With `--limits` it fails where the watch misses a figure that is promised of it.
"""

import argparse
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

from focusing.star_sizes import SPACING_S, ZONE_STEPS, Air, Night
from focusing.watched import Outcome, plain_night, watch_night

BEGINS_S = 2 * 3600.0
FALSE_ALARMS_PER_NIGHT = 2.0
AIRS = {"usual air": Air(), "seeing ±40 %": Air(0.05, 900.0, 0.4)}


def steady(_: float) -> float:
    """Focus that stays."""
    return 0.0


def drift(at_s: float, begins_s: float = BEGINS_S) -> float:
    """One zone an hour, from a moment on."""
    return ZONE_STEPS * max(0.0, at_s - begins_s) / 3600.0


def step(at_s: float) -> float:
    """One zone at once."""
    return 0.0 if at_s < BEGINS_S else ZONE_STEPS


@dataclass(frozen=True)
class Row:
    """One kind of night; `begins_s` is when focus begins to move.

    Of the watch are promised at most `curves_max` in ten nights, and a look in time in `within_min`
    of the nights.
    """

    name: str
    air: Air
    guided: bool
    defocus: Callable[[float], float]
    hours: float
    begins_s: float | None = None
    curves_max: float | None = None
    within_min: float | None = None


def rows() -> Iterator[Row]:
    """The kinds of nights that are tried."""
    cold = partial(drift, begins_s=0.0)
    for name, air in AIRS.items():
        for guided in (True, False):
            label = f"{name}, {'guide stars' if guided else 'no guide'}"
            rare, nearly = (1.0, 0.95) if guided else (None, None)
            most = 0.9 if guided and not air.swing else None  # it may hide in air that swings
            yield Row(f"steady, {label}", air, guided, steady, 8.0, None, rare)
            yield Row(f"zone an hour, {label}", air, guided, drift, 4.0, BEGINS_S, None, most)
            yield Row(
                *(f"the same from the first sub, {label}", air, guided, cold, 2.0, 0.0),
                within_min=nearly,
            )
            yield Row(f"step of a zone, {label}", air, guided, step, 3.0, BEGINS_S, None, nearly)


def live(row: Row, watcher: Callable[[Night], Outcome], seed: int) -> Outcome:
    """One night of a kind."""
    return watcher(Night(seed, row.air, row.guided, row.defocus, hours=row.hours))


@dataclass(frozen=True)
class Figures:
    """What came of many nights of a kind; `late` is (growth, subs) at the first look after."""

    looks: float
    aged: float
    curves: float
    late: NDArray[np.float64] | None
    within: float

    def __str__(self) -> str:
        text = f"{self.looks:7.2f} {self.aged:7.2f} {self.curves:8.1f}"
        if self.late is None:
            return text
        (growth, subs), (growths, most) = np.quantile(self.late, (0.5, 0.9), 1, method="higher")
        return f"{text} {growth:8.1%} {growths:7.1%} {subs:6.0f} {most:5.0f} {self.within:7.0%}"


def figures(row: Row, outcomes: list[Outcome]) -> Figures:
    """The figures of a kind of night."""
    late = None if row.begins_s is None else np.array([first_look(row, o) for o in outcomes]).T
    timely = 1.0
    if late is not None:
        timely = float(np.mean(late[1] <= 4.0 if row.defocus is step else late[0] < 0.10))
    return Figures(
        looks=float(np.mean([len(outcome.looks_s) for outcome in outcomes])),
        aged=float(np.mean([outcome.aged for outcome in outcomes])),
        curves=10.0 * float(np.mean([outcome.curves for outcome in outcomes])),
        late=late,
        within=timely,
    )


def first_look(row: Row, outcome: Outcome) -> tuple[float, float]:
    """Growth at the first look after focus began to move, and subs until then."""
    assert row.begins_s is not None
    for at_s, growth in zip(outcome.looks_s, outcome.growth_at_look, strict=True):
        if at_s > row.begins_s - SPACING_S:  # the check comes after it
            return growth, (at_s - row.begins_s) / SPACING_S + 0.5
    return np.inf, np.inf


def missed(row: Row, seen: Figures) -> Iterator[str]:
    """Promises of a kind of night that the watch did not keep."""
    if row.curves_max is not None and seen.curves > row.curves_max:
        yield f"{row.name}: {seen.curves:.1f} curves in ten nights, promised {row.curves_max:g}"
    if row.within_min is not None and seen.within < row.within_min:
        yield f"{row.name}: in time in {seen.within:.0%}, promised {row.within_min:.0%}"


def main() -> int:
    """Print the table, and say which promises were missed."""
    asked = argparse.ArgumentParser(description="Holds the watch against the plain rule.")
    asked.add_argument("nights", nargs="?", type=int, default=100)
    asked.add_argument("--limits", action="store_true", help="fail where a promise is missed")
    options = asked.parse_args()
    watch = partial(watch_night, false_alarms_per_night=FALSE_ALARMS_PER_NIGHT)
    heads = "   looks  by age   curves  growth at look    subs to look  within"
    units = "  /night  /night   /10 n.   median     90%  med.   90%  10%, 4 subs"
    print(f"{'':62}{heads}\n{'':62}{units}")
    broken: list[str] = []
    with ProcessPoolExecutor(2) as pool:
        for row in rows():
            for label, watcher in (("watch", watch), ("plain rule", plain_night)):
                nights = pool.map(partial(live, row, watcher), range(options.nights), chunksize=5)
                seen = figures(row, list(nights))
                print(f"{row.name + ': ' + label:62} {seen}", flush=True)
                if watcher is watch:
                    broken += missed(row, seen)
    for line in broken:
        print(f"missed: {line}")
    return 1 if broken and options.limits else 0


if __name__ == "__main__":
    sys.exit(main())
