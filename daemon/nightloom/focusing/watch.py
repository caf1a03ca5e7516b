"""Whether stars grow for a reason that is not the air: a CUSUM over all subs, whatever the filter.

Each sub's surprise, in standard errors, is freed of what is left in it of the one before, as much
as the night shows, and divided by its scatter; clipped, and less an allowance, it is summed up and
kept from falling below zero. The sum asks for a look at the focus when it reaches a threshold.
What drifts slowly the subs tell by themselves (`best_focus`): the allowance is for what jumps.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from math import expm1, sqrt
from statistics import median

from nightloom.focusing.cusum import threshold_for

_ALLOWANCE = 1.0  # half of the shift to be found soonest, in standard errors (Page, Moustakides)
_CLIP = 2.5  # standard errors: one bad sub alone brings no alarm, two do
_BELIEVED_SUBS = 12.0  # the believed scatter and independence weigh as much as so many subs
_MOST_LEFT = 0.9
_RECENT_SUBS = 3
_NIGHT_S = 8 * 3600.0  # the night that false alarms are counted by


@dataclass(frozen=True)
class Watch:
    """What the subs of a night have shown: sums over their surprises, and times of the last ones.

    `squares` and `products` are of surprises, with themselves and with the one before; `news` is
    of what is new in them.
    """

    times_s: tuple[float, ...] = ()
    last: float = 0.0
    squares: float = _BELIEVED_SUBS
    products: float = 0.0
    news: float = _BELIEVED_SUBS
    count: float = _BELIEVED_SUBS
    total: float = 0.0
    growths: tuple[float, ...] = ()

    @property
    def growth(self) -> float:
        """Growth of the stars since the sum was last zero, as a fraction; median of three subs."""
        return expm1(median(self.growths[-_RECENT_SUBS:])) if self.growths else 0.0

    def saw(self, at_s: float, growth: float, standard: float) -> "Watch":
        """Take in a sub: how much larger its stars are than expected, in ln radius and in standard
        errors.
        """
        left = min(max(self.products / self.squares, 0.0), _MOST_LEFT)
        new = (standard - left * self.last) / sqrt(1.0 - left**2)
        scatter = max(1.0, sqrt(self.news / self.count))
        clipped = min(max(new / scatter, -_CLIP), _CLIP)
        total = max(0.0, self.total + clipped - _ALLOWANCE)
        last = min(max(standard, -_CLIP * scatter), _CLIP * scatter)
        return Watch(
            times_s=(*self.times_s, at_s),
            last=last,
            squares=self.squares + last**2,
            products=self.products + last * self.last,
            news=self.news + (clipped * scatter) ** 2,
            count=self.count + 1.0,
            total=total,
            growths=(*self.growths, growth) if total else (),
        )

    def focused(self) -> "Watch":
        """The focus is right now."""
        return replace(self, last=0.0, total=0.0, growths=())

    def alarms(self, false_alarms_per_night: float) -> bool:
        """Whether a look is due, for a rate of looks without need in a night of eight hours."""
        if len(self.times_s) < 2:
            return False
        spacing_s = median(b - a for a, b in pairwise(self.times_s))
        wanted = _NIGHT_S / spacing_s / false_alarms_per_night
        return self.total >= threshold_for(wanted, _ALLOWANCE)
