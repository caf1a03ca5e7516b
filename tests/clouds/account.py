"""The most that a rig can get from a sky that clouds cross, and where what it did not get went."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Best:
    """The most usable seconds that can still be had from each moment on, with the clouds known.

    `left_s[i]` is that from `begin_s + i * step_s` on. It falls to 0 at the end.
    """

    begin_s: float
    step_s: float
    left_s: Floats

    def from_s(self, at_s: float) -> float:
        """From a Unix time on."""
        index = round((at_s - self.begin_s) / self.step_s)
        return float(self.left_s[min(max(index, 0), len(self.left_s) - 1)])


def best(
    share: Floats,
    free: NDArray[np.bool_],
    *,
    exposure_s: float,
    gap_s: float,
    least: float,
    begin_s: float = 0.0,
    step_s: float = 1.0,
) -> Best:
    """The best choice of starts of whole subs, by dynamic programming over the moments.

    `share` (n,) is what the sky lets through, `free` (n,) whether the rig may expose at all, a
    moment every `step_s`. A sub counts its whole length when it is free from end to end and its
    mean share is `least` or more: some of it may lie under cloud. From its end to the next start
    lie `gap_s`. Starts are free but for that, and nothing but whole subs counts: clear sky between
    two clouds that is too short for one is no loss, nor is what is left over beside whole ones.
    """
    lasts, apart = round(exposure_s / step_s), round((exposure_s + gap_s) / step_s)
    light = np.concatenate([[0.0], np.cumsum(share)])
    busy = np.concatenate([[0], np.cumsum(~free)])
    means = (light[lasts:] - light[:-lasts]) / lasts
    counts = ((means >= least) & (busy[lasts:] == busy[:-lasts])).tolist()
    left_s = [0.0] * (len(share) + apart + 1)
    for i in range(len(counts) - 1, -1, -1):
        taken_s = exposure_s + left_s[i + apart] if counts[i] else 0.0
        left_s[i] = max(left_s[i + 1], taken_s)
    return Best(begin_s, step_s, np.array(left_s))


@dataclass(frozen=True)
class Stretch:
    """What a rig did up to a moment, what that gave, and what it is called."""

    until_s: float
    got_s: float
    cause: str


def lost_s(best: Best, begin_s: float, stretches: Iterable[Stretch]) -> dict[str, float]:
    """Usable seconds lost, by cause: what could be had before a stretch, less what it gave and
    what can be had after it. Stretches follow each other. All causes together are what could be had
    at the beginning, less what was got and what can be had at the end.
    """
    lost: dict[str, float] = {}
    before_s = best.from_s(begin_s)
    for stretch in stretches:
        after_s = best.from_s(stretch.until_s)
        lost_here_s = before_s - stretch.got_s - after_s
        lost[stretch.cause] = lost.get(stretch.cause, 0.0) + lost_here_s
        before_s = after_s
    return lost


def together(several: Sequence[dict[str, float]]) -> dict[str, float]:
    """The sum of several accounts, the largest loss first."""
    causes = {cause for one in several for cause in one}
    whole = {cause: sum(one.get(cause, 0.0) for one in several) for cause in causes}
    return dict(sorted(whole.items(), key=lambda item: (-item[1], item[0])))
