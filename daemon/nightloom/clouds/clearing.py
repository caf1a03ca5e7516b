"""How clear it will be over the next sub, as the guide stars come out of a cloud.

Clouds drift, so that light goes on for a while as it went. A sub may begin under the rest of a
cloud as long as its mean is accepted, and each second waited for the rest to go is one of clear
sky that the next cloud may take.
"""

from collections.abc import Sequence

import numpy as np

FITTED = 5
"""So many latest readings: more of them see a cloud's edge too late, fewer see one in the noise."""

TRUSTED_S = 15.0
"""The light is taken to go on as it went for so long, and then to stay: an edge passes in that."""

STEPS = 60


def foreseen_mean(times_s: Sequence[float], shares: Sequence[float], for_s: float) -> float | None:
    """The mean share of a clear sky's light over the next `for_s`, by a straight line through the
    latest readings; None with too few of them.

    It has the median of the slopes between any two of them, so that a single one that is off does
    not turn it (Theil 1950; Sen 1968, JASA 63, 1379).
    """
    times, seen = np.array(times_s[-FITTED:]), np.array(shares[-FITTED:])
    if len(times) < FITTED or np.any(np.diff(times) <= 0):
        return None
    earlier, later = np.triu_indices(FITTED, 1)
    per_s = np.median((seen[later] - seen[earlier]) / (times[later] - times[earlier]))
    now = np.median(seen + per_s * (times[-1] - times))
    ahead_s = (np.arange(STEPS) + 0.5) * for_s / STEPS
    return float(np.mean(np.clip(now + per_s * np.minimum(ahead_s, TRUSTED_S), 0.0, 1.0)))
