"""How clear it will be over the next sub, as the guide stars come out of a cloud.

Clouds drift, so that light goes on for a while as it went. A sub may begin under the rest of a
cloud as long as its mean is accepted, and each second waited for the rest to go is one of clear
sky that the next cloud may take.
"""

from collections.abc import Sequence
from itertools import combinations, pairwise
from statistics import median

import numpy as np

FITTED = 5
"""So many latest readings: more of them see a cloud's edge too late, fewer see one in the noise."""

TRUSTED_S = 15.0
"""The light is taken to go on as it went for so long, and then to stay: an edge passes in that."""

STEPS = 60
MIDDLES = (np.arange(STEPS) + 0.5) / STEPS


def foreseen_mean(times_s: Sequence[float], shares: Sequence[float], for_s: float) -> float | None:
    """The mean share of a clear sky's light over the next `for_s`, by a straight line through the
    latest readings; None with too few of them.

    It has the median of the slopes between any two of them, so that a single one that is off does
    not turn it (Theil 1950; Sen 1968, JASA 63, 1379).
    """
    times, seen = times_s[-FITTED:], shares[-FITTED:]
    if len(times) < FITTED or any(late <= early for early, late in pairwise(times)):
        return None
    points = list(zip(times, seen, strict=True))
    per_s = median((b - a) / (t_b - t_a) for (t_a, a), (t_b, b) in combinations(points, 2))
    now = median(share + per_s * (times[-1] - t) for t, share in points)
    ahead_s = np.minimum(MIDDLES * for_s, TRUSTED_S)
    return float((now + per_s * ahead_s).clip(0.0, 1.0).mean())
