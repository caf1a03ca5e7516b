"""Whether stars have grown since the last focus run, filter by filter.

A first, plain rule: the median of the last few subs against the median of the first few. Sizes are
compared as logarithms, within one filter only, after correction for airmass.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import exp, log
from statistics import median

SEEING_EXPONENT = 0.6  # of airmass: Kolmogorov turbulence (Neilsen et al. 2019, arXiv:1912.06254)
_REFERENCE_SUBS = 3
_RECENT_SUBS = 3


@dataclass(frozen=True)
class Drift:
    """What the watch says: whether focus should be checked, by how much stars grew, and why."""

    check: bool
    growth: float
    reason: str


def at_zenith_px(radius_px: float, airmass: float) -> float:
    """Half-flux radius as the same air would give it at the zenith."""
    return float(radius_px / airmass**SEEING_EXPONENT)


def watch_drift(radii_px: Sequence[float], growth_limit: float) -> Drift:
    """Judge one filter's half-flux radii since the last focus run, oldest first.

    `growth_limit` is a fraction: 0.12 asks for a check when stars are 12 % larger. The first three
    subs are the reference and the last three are held against it: six are needed in all.
    """
    needed = _REFERENCE_SUBS + _RECENT_SUBS
    if len(radii_px) < needed:
        return Drift(False, 0.0, f"{len(radii_px)} of {needed} subs since the last focus run")
    logs = [log(radius) for radius in radii_px]
    growth = exp(median(logs[-_RECENT_SUBS:]) - median(logs[:_REFERENCE_SUBS])) - 1.0
    check = growth > growth_limit
    return Drift(check, growth, f"stars grew by {growth:.0%}, limit {growth_limit:.0%}")


def watch_filters(radii_px: Mapping[str, Sequence[float]], growth_limit: float) -> Drift:
    """The verdict of the filter whose stars grew most; its name begins the reason."""
    drifts = {name: watch_drift(radii, growth_limit) for name, radii in radii_px.items()}
    if not drifts:
        return Drift(False, 0.0, "no subs since the last focus run")
    name, drift = max(drifts.items(), key=lambda item: (item[1].check, item[1].growth))
    return Drift(drift.check, drift.growth, f"{name}: {drift.reason}")
