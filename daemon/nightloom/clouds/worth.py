"""Whether a sub that cloud has entered is worth its end: its signal to noise against a new start.

A frame of a sky that outshines its faint target holds signal in proportion to the light that came
through, and the sky's noise with the root of time; so the square of its signal to noise is that of
as many seconds of clear sky as its mean transparency squared times its length (the CCD equation
for a sky-limited exposure; Howell 2006, Handbook of CCD Astronomy, section 4.4). A frame below the
accepted transparency is worth nothing, as it is rejected.

How long a cloud stays is not known; it is taken to leave by chance, with no memory, after
`usual_s` in the mean. Until it leaves it lets through what it does now, after it the sky is clear.
By the moment at which the sub would end, going on gives

    T̄² · exposure          when the mean transparency T̄ is still accepted, else 0

and cutting it gives the seconds of clear sky since the cloud left and subs began again,

    max(0, remaining - s - restart_s)      for a cloud that leaves after s.

The sub is cut when the second is the larger in the mean over s. So one that would end before
another could begin is never cut: its own stars will tell better than the guide stars.
"""

from dataclasses import dataclass

import numpy as np

STEPS = 60
"""Moments at which the cloud may leave, over what remains."""

EDGES = np.linspace(0.0, 1.0, STEPS + 1)
LEAVES = np.append((EDGES[1:] + EDGES[:-1]) / 2, 1.0)
"""Parts of what remains: between two edges the cloud leaves in the middle; the last: it stays."""


@dataclass(frozen=True)
class SubSoFar:
    """A sub that is under way; `mean` is the transparency over the part that is exposed."""

    exposure_s: float
    exposed_s: float
    mean: float


@dataclass(frozen=True)
class WorthPolicy:
    """A sub is kept from a mean transparency of `accept_fraction` on; a new one begins `restart_s`
    after the sky has cleared; a cloud stays `usual_s` in the mean.
    """

    accept_fraction: float
    restart_s: float = 15.0
    usual_s: float = 150.0


def going_on_is_worth(sub: SubSoFar, now: float, policy: WorthPolicy) -> bool:
    """Whether to go on with a sub while the sky lets through `now` (0 to 1)."""
    goes_on, cut = expected_worth_s(sub, now, policy)
    return goes_on >= cut


def expected_worth_s(sub: SubSoFar, now: float, policy: WorthPolicy) -> tuple[float, float]:
    """Seconds of clear sky that going on, and cutting, are worth at the sub's end."""
    remaining_s = max(0.0, sub.exposure_s - sub.exposed_s)
    leaves_s = remaining_s * LEAVES
    stays = np.exp(EDGES * (-remaining_s / policy.usual_s))
    chance = stays.copy()
    chance[:-1] -= stays[1:]
    light_s = sub.exposed_s * sub.mean + leaves_s * min(now, 1.0) + (remaining_s - leaves_s)
    mean = light_s / sub.exposure_s
    goes_on_s = np.where(mean >= policy.accept_fraction, mean**2 * sub.exposure_s, 0.0)
    cut_s = np.maximum(0.0, remaining_s - leaves_s - policy.restart_s)
    return float(chance @ goes_on_s), float(chance @ cut_s)
