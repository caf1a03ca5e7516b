"""Which panel of a mosaic is next, from the tally alone.

A panel's level is the whole cycles that all of its filters have that still lack something. The
lowest panel is gone to, and stayed on until it is a visit ahead of the next lowest: so, whatever
interrupts, no panel gets further ahead of another that could be taken than a visit, and each time
that it is moved a whole visit, at the least, was taken.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import ceil

import numpy as np

from nightloom.schedule.candidate import Candidate
from nightloom.settings import AskedSub
from nightloom.sky import joined

ROUNDING = 1e-6


def level(lacking: Mapping[str, AskedSub], taken_s: Mapping[str, float]) -> int:
    """Whole cycles that each of these filters has."""
    return min(
        int(taken_s.get(name, 0.0) / (sub.share * sub.exposure_s) + ROUNDING)
        for name, sub in lacking.items()
    )


def visit_cycles(filters: Mapping[str, AskedSub], visit_s: float) -> int:
    """Whole cycles of a visit, one at the least."""
    cycle_s = sum(sub.share * sub.exposure_s for sub in filters.values())
    return max(1, ceil(visit_s / cycle_s - ROUNDING))


def next_panel(levels: Sequence[int], running: int | None, visit: int) -> int:
    """The panel that is due, by its place among `levels`, which are those of all that may be taken.

    `running` is the one that runs, None when none of them does.
    """
    lowest = min(range(len(levels)), key=levels.__getitem__)
    if running is None:
        return lowest
    others = [one for place, one in enumerate(levels) if place != running]
    stays = not others or levels[running] < min(others) + visit
    return running if stays else lowest


def as_one(
    panels: Sequence[Candidate], whole: str, visit_open_s: float, move_s: float
) -> Candidate:
    """One group of filters of all panels of a mosaic, as the plan sees it.

    After each visit of so many open seconds a move to another panel follows.
    """
    first = panels[0]
    visit_s = visit_open_s / first.open_fraction
    return replace(
        first,
        target=whole,
        windows=tuple(joined([window for one in panels for window in one.windows])),
        quality=np.mean([one.quality for one in panels], axis=0),
        weight=max(one.weight for one in panels),
        open_fraction=visit_open_s / (visit_s + move_s) if len(panels) > 1 else first.open_fraction,
        wanted_s=sum(one.wanted_s for one in panels),
    )
