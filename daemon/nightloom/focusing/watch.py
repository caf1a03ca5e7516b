"""Whether stars grow for a reason that is not the air: a CUSUM over all subs, whatever the filter.

Each sub's surprise, in standard errors and clipped, less an allowance, is summed up and kept from
falling below zero; the sum asks for a check of the focus when it reaches a threshold. While it is
above zero, subs do not teach the reference, lest a slow drift be learned as normal.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from math import expm1
from statistics import median

from nightloom.focusing.cusum import threshold_for
from nightloom.focusing.seeing import SubSize, surprise

_ALLOWANCE = 0.5  # half of the shift to be found soonest, in standard errors (Page, Moustakides)
_CLIP = 3.0  # standard errors: one bad sub alone brings no alarm
_TEACHING = 1.5  # below this sum subs teach: only below 0 would favour small stars
_RECENT_SUBS = 3
_NIGHT_S = 8 * 3600.0  # the night that false alarms are counted by


@dataclass(frozen=True)
class Watch:
    """What the subs of a night have shown; the first `learned` of them are the reference."""

    subs: tuple[SubSize, ...] = ()
    learned: int = 0
    stretch: int = 0
    total: float = 0.0
    growths: tuple[float, ...] = ()

    @property
    def growth(self) -> float:
        """Growth of the stars since the sum was last zero, as a fraction; median of three subs."""
        return expm1(median(self.growths[-_RECENT_SUBS:])) if self.growths else 0.0

    def saw(self, sub: SubSize) -> "Watch":
        """Take in an accepted sub; its stretch is the present one."""
        sub = replace(sub, stretch=self.stretch)
        subs = (*self.subs, sub)
        if not self.subs:
            return replace(self, subs=subs, learned=1)
        seen = surprise(self.subs[: self.learned], self.subs[-1], sub)
        clipped = min(max(seen.standard, -_CLIP), _CLIP)
        total = max(0.0, self.total + clipped - _ALLOWANCE)
        learned = len(subs) if total < _TEACHING else self.learned
        growths = (*self.growths, seen.growth) if total else ()
        return replace(self, subs=subs, learned=learned, total=total, growths=growths)

    def focused(self, moved: bool) -> "Watch":
        """Begin a stretch: the focus is right now. What grew because it `moved` teaches nothing."""
        subs = self.subs[: self.learned] if moved else self.subs
        return Watch(subs, len(subs), self.stretch + 1)

    def alarms(self, false_alarms_per_night: float) -> bool:
        """Whether a check is due, for a rate of checks without need in a night of eight hours."""
        if len(self.subs) < 2:
            return False
        times_s = [sub.at_s for sub in self.subs]
        spacing_s = median(b - a for a, b in pairwise(times_s))
        wanted = _NIGHT_S / spacing_s / false_alarms_per_night
        return self.total >= threshold_for(wanted, _ALLOWANCE)
