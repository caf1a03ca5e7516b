"""The watch for focus drift against the plain rule: `python tests/benchmarks/watch.py [NIGHTS]`.

Each row is NIGHTS (100) simulated nights of star sizes. "Looks" are checks, those "by age" came
because focus might have drifted since the last one; the plain rule looks by curves. "Curves" are
those beyond scheduled ones, in ten nights. "Growth" is how far stars had grown, by a focus shift
alone, at the first look after it began: median, nine in ten, and the part of nights within 10 %.
No guide means that no guide stars tell the seeing.
"""

import sys
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from focus.star_sizes import SPACING_S, ZONE_STEPS, Air, Night
from focus.watched import Outcome, plain_night, watch_night

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
    """One kind of night; `begins_s` is when focus begins to move."""

    name: str
    air: Air
    guided: bool
    defocus: Callable[[float], float]
    hours: float
    begins_s: float | None = None


def rows() -> Iterable[Row]:
    """The kinds of nights that are tried."""
    cold = partial(drift, begins_s=0.0)
    for name, air in AIRS.items():
        for guided in (True, False):
            label = f"{name}, {'guide stars' if guided else 'no guide'}"
            yield Row(f"steady, {label}", air, guided, steady, 8.0)
            yield Row(f"zone an hour, {label}", air, guided, drift, 4.0, BEGINS_S)
            yield Row(f"the same from the first sub, {label}", air, guided, cold, 2.0, 0.0)
            yield Row(f"step of a zone, {label}", air, guided, step, 3.0, BEGINS_S)


def live(row: Row, watcher: Callable[[Night], Outcome], seed: int) -> Outcome:
    """One night of a kind."""
    return watcher(Night(seed, row.air, row.guided, row.defocus, hours=row.hours))


def line(row: Row, outcomes: list[Outcome]) -> str:
    """The figures of a kind of night."""
    looks = float(np.mean([len(outcome.looks_s) for outcome in outcomes]))
    curves = 10.0 * float(np.mean([outcome.curves for outcome in outcomes]))
    aged = float(np.mean([outcome.aged for outcome in outcomes]))
    text = f"{looks:7.2f} {aged:7.2f} {curves:8.1f}"
    if row.begins_s is None:
        return text
    first = [
        next(
            (
                ((at_s - row.begins_s) / SPACING_S + 0.5, growth)
                for at_s, growth in zip(outcome.looks_s, outcome.growth_at_look, strict=True)
                if at_s > row.begins_s - SPACING_S  # the check comes after it
            ),
            (np.inf, np.inf),
        )
        for outcome in outcomes
    ]
    subs, growths = np.array(first).T
    within = float(np.mean(growths < 0.10 if row.defocus is not step else subs <= 4.0))
    median, most = np.quantile(growths, (0.5, 0.9), method="higher")
    late, latest = np.quantile(subs, (0.5, 0.9), method="higher")
    return f"{text} {median:8.1%} {most:7.1%} {late:6.0f} {latest:5.0f} {within:7.0%}"


def main() -> None:
    """Print the table."""
    nights = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    watch = partial(watch_night, false_alarms_per_night=FALSE_ALARMS_PER_NIGHT)
    heads = "   looks  by age   curves  growth at look    subs to look  within"
    units = "  /night  /night   /10 n.   median     90%  med.   90%  10%, 4 subs"
    print(f"{'':62}{heads}\n{'':62}{units}")
    with ProcessPoolExecutor(2) as pool:
        for row in rows():
            for label, watcher in (("watch", watch), ("plain rule", plain_night)):
                outcomes = list(pool.map(partial(live, row, watcher), range(nights), chunksize=5))
                print(f"{row.name + ': ' + label:62} {line(row, outcomes)}", flush=True)


if __name__ == "__main__":
    main()
