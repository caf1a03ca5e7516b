"""Whether the filters saw the same sky, and whether they would have, one filter after another.

A filter's own level of a quantity (a narrow band's sky is darker, blue stars are larger) is no
matter of when it was exposed. So what all subs show is parted in two by least squares,

    value(sub) = level(filter) + course(time)

with a course of straight pieces, and filters are compared by the mean of the course over their
accepted seconds. The block order takes the same subs at the same moments, one filter after another
in the order in which they were asked for.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from nightloom.report.records import Exposure

Floats = NDArray[np.float64]

SUBS_A_PIECE = 5
PIECE_S_MIN = 600.0
"""A piece of the course is as long as so many subs, and at least so long."""

STIFFNESS = 0.05
"""How much bends of the course count beside what subs show: it bridges stretches without subs."""

SUBS_MIN = 6
"""Fewer subs than so many show no course."""


@dataclass(frozen=True)
class Quantity:
    """What is compared: its name, unit, and how a sub shows it (None: it does not)."""

    name: str
    unit: str
    value: Callable[[Exposure], float | None]
    relative: bool = False
    """Whether differences are read as parts of it; then logarithms are compared."""
    exact: bool = False
    """Whether it has neither noise nor a level for each filter."""


@dataclass(frozen=True)
class Spread:
    """How far the filters differ in one quantity: by the means over their accepted seconds."""

    quantity: Quantity
    means: Mapping[str, float]
    """By filter, in the quantity's unit, as all would have been seen through a common filter."""
    woven: float
    """Largest less smallest mean; of a relative quantity, as a part of it."""
    blocks: float
    """The same for the block order."""


def _sky_rate(sub: Exposure) -> float | None:
    return None if sub.background_adu is None else sub.background_adu / sub.exposure_s


QUANTITIES = (
    Quantity("airmass", "", lambda sub: sub.airmass, exact=True),
    Quantity("star size", "px", lambda sub: sub.half_flux_radius_px, relative=True),
    Quantity("transparency", "", lambda sub: sub.transparency),
    Quantity("sky background", "ADU/s", _sky_rate, relative=True),
    Quantity("gradient", "%", lambda sub: None if sub.gradient is None else 100.0 * sub.gradient),
)


def spreads(subs: Sequence[Exposure], order: Sequence[str]) -> list[Spread]:
    """The spread of each quantity that enough subs show, for one target's accepted subs.

    `order` is that of the filters in blocks; those that are not named come last.
    """
    found = (_spread(quantity, subs, order) for quantity in QUANTITIES)
    return [one for one in found if one is not None]


def _spread(quantity: Quantity, subs: Sequence[Exposure], order: Sequence[str]) -> Spread | None:
    seen = [(sub, value) for sub in subs if (value := quantity.value(sub)) is not None]
    if quantity.relative:
        seen = [(sub, float(np.log(value))) for sub, value in seen if value > 0.0]
    seen.sort(key=lambda one: one[0].middle_s)
    filters = [sub.filter for sub, _ in seen]
    names = [name for name in dict.fromkeys([*order, *filters]) if name in filters]
    if len(seen) < SUBS_MIN or len(names) < 2:
        return None
    values = np.array([value for _, value in seen])
    course = values
    if not quantity.exact:
        course = _course(np.array([sub.middle_s for sub, _ in seen]), filters, values)
    seconds = np.array([sub.exposure_s for sub, _ in seen])
    woven = _means(course, seconds, filters, names)
    blocks = _in_blocks(course, seconds, filters, names)
    shown = {name: float(np.exp(m)) if quantity.relative else m for name, m in woven.items()}
    differ = np.expm1 if quantity.relative else float
    return Spread(quantity, shown, float(differ(_range(woven))), float(differ(_range(blocks))))


def _range(means: Mapping[str, float]) -> float:
    return max(means.values()) - min(means.values())


def _means(
    course: Floats, seconds: Floats, filters: Sequence[str], names: Sequence[str]
) -> dict[str, float]:
    chosen = {name: np.array([one == name for one in filters]) for name in names}
    return {
        name: float(np.average(course[mask], weights=seconds[mask]))
        for name, mask in chosen.items()
    }


def _in_blocks(
    course: Floats, seconds: Floats, filters: Sequence[str], names: Sequence[str]
) -> dict[str, float]:
    """Means as they would be had the same seconds been taken one filter after another.

    The night's open seconds are laid end to end; each filter takes its own from where the one
    before it ended.
    """
    taken_s = [float(seconds[[one == name for one in filters]].sum()) for name in names]
    ends = list(accumulate(taken_s))
    sub_ends = np.cumsum(seconds)
    sub_starts = sub_ends - seconds
    means = {}
    for name, begin, end in zip(names, [0.0, *ends], ends, strict=False):
        part = np.clip(np.minimum(sub_ends, end) - np.maximum(sub_starts, begin), 0.0, None)
        means[name] = float(np.average(course, weights=part))
    return means


def _course(moments: Floats, filters: Sequence[str], values: Floats) -> Floats:
    """The course at each sub's moment, about the mean of all values, by penalised least squares."""
    span_s = float(moments[-1] - moments[0])
    pieces = max(1, min(len(moments) // SUBS_A_PIECE, int(span_s // PIECE_S_MIN)))
    knots = np.linspace(moments[0], moments[-1] + 1e-3, pieces + 1)
    hats = np.stack([np.interp(moments, knots, unit) for unit in np.eye(len(knots))], axis=1)
    names = list(dict.fromkeys(filters))
    levels = np.array([[float(one == name) for name in names] for one in filters])
    bends = np.diff(np.eye(len(knots)), 2, axis=0) * STIFFNESS * np.sqrt(len(moments))
    none = np.zeros((len(bends), len(names)))
    balance = np.concatenate([levels.sum(axis=0), np.zeros(len(knots))])[None, :]
    design = np.vstack([np.hstack([levels, hats]), np.hstack([none, bends]), balance])
    wanted = np.concatenate([values, np.zeros(len(bends) + 1)])
    solution = np.linalg.lstsq(design, wanted, rcond=None)[0]
    return np.asarray(hats @ solution[len(names) :])
