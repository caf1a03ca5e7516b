"""How star sizes scatter about what is expected, and how long a deviation lasts.

Deviations fade: of one, a part is left in the next sub (a first-order autoregression). After a
dither it is another part, with another scatter: the width of guide stars on coarse pixels depends
on where they lie on them.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Kinds = NDArray[np.int_]

# Beliefs weigh as much as so many subs of each kind beside them.
_SCATTER_SUBS, _LEFT_SUBS = 4.0, 4.0
_LEAST_SCATTER = 0.01  # star sizes of a few hundred stars are not better known
_LEAST_LEFT, _MOST_LEFT = 0.01, 0.95
_CLIP = 2.5  # scatters, beyond which a sub teaches no more
_CLIPPED = 1.03  # clipping a normal distribution there takes 3 % of its variance


@dataclass(frozen=True)
class Noise:
    """Noise in ln radius; pairs, (2,), are for a sub after a dither (0) and at the same pointing
    (1).

    `scatter` is what deviations would have without end, `left` the part left after `spacing_s`.
    Methods take and give one number a sub, (n,), none NaN; `kinds` are 0 and 1.
    """

    scatter: Floats
    left: Floats
    spacing_s: float

    def kept(self, gaps_s: Floats, kinds: Kinds) -> Floats:
        """The part, (n,), that is left of a deviation after gaps, (n,) in seconds."""
        return np.asarray(self.left[kinds] ** (gaps_s / self.spacing_s))

    def spread(self, kept: Floats, kinds: Kinds) -> Floats:
        """Standard deviation, (n,), of what is new in a sub."""
        return np.asarray(self.scatter[kinds] * np.sqrt(1.0 - kept**2))

    def trust(self, news: Floats, kept: Floats, kinds: Kinds) -> Floats:
        """Weights, (n,), of subs by what is new in them (Huber): bad ones teach little."""
        return 1.0 / np.maximum(1.0, np.abs(news) / (_CLIP * self.spread(kept, kinds)))


def believed(guided: bool, spacing_s: float) -> Noise:
    """The noise before a night has shown it, with and without guide stars to tell the seeing.

    Seeing scatters by 10 to 20 % and keeps for a quarter of an hour (common practice, no source).
    """
    scatter, left = ((0.03, 0.03), (0.1, 0.6)) if guided else ((0.12, 0.12), (0.85, 0.85))
    return Noise(np.array(scatter), np.array(left), spacing_s)


def learned(
    prior: Noise, last: Noise, deviations: Floats, news: Floats, kept: Floats, kinds: Kinds
) -> Noise:
    """The noise that subs show, oldest first, with `prior` as if it were a few subs more.

    `deviations` are from what is expected, `news` from what the sub before lets expect besides,
    both in ln radius; all are (n,), none NaN.
    """
    spread = last.spread(kept, kinds)
    clipped = np.clip(news, -_CLIP * spread, _CLIP * spread) / np.sqrt(1.0 - kept**2)
    squares = _CLIPPED * np.bincount(kinds, clipped**2, minlength=2)
    counts = np.bincount(kinds, minlength=2)
    variance = (_SCATTER_SUBS * prior.scatter**2 + squares) / (_SCATTER_SUBS + counts)
    most = _CLIP * float(np.sqrt(variance.max()))
    rest = np.clip(deviations, -most, most)
    together = np.bincount(kinds[1:], rest[1:] * rest[:-1], minlength=2)
    alone = np.bincount(kinds[1:], rest[:-1] ** 2, minlength=2)
    weight = _LEFT_SUBS * variance
    left = (weight * prior.left + together) / (weight + alone)
    return Noise(
        np.maximum(np.sqrt(variance), _LEAST_SCATTER),
        np.clip(left, _LEAST_LEFT, _MOST_LEFT),
        prior.spacing_s,
    )
