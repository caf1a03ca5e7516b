"""How focus drifts, as looks at it show, and when the next look is due: a Kalman filter.

Its state is how far the focuser stands from best focus, and the rate at which that changes, in
critical focus zones and hours; the rate itself wanders. A look measures the first. The uncertainty
that grows since the last look says when the next one is due: soon at first, later the steadier the
looks find focus. A rate that is sure is followed by the focuser meanwhile.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_MOST_OFF = 0.4  # zones, expected rms, at which a look is due: stars grow by 10 % at 0.44
_SOONEST_S = 900.0  # a look that left much open is not repeated at once
_OFFSET_ERROR = 0.06  # zones: looks through different filters agree no better
_WANDER = 0.05  # part of the believed rate that the true one may change by within an hour
_SURE = 2.0  # standard errors: a rate that is followed
_SLIP = 2.5  # standard errors: focus did not drift so far, it jumped


@dataclass(frozen=True)
class Drift:
    """What looks have taught by the last one.

    `believed` is the rate to reckon with until they do, in zones an hour; 0 says that none is due.
    """

    believed: float
    at_s: float
    state: Floats
    covariance: Floats
    followed: float = 0.0
    """Zones an hour by which the focuser follows from then on, outward positive."""

    @classmethod
    def begun(cls, at_s: float, believed: float) -> "Drift":
        """Focus is right now, and nothing is known of its rate."""
        spread = np.diag([_OFFSET_ERROR**2, believed**2])
        return cls(believed, at_s, np.zeros(2), spread)

    @property
    def due_s(self) -> float:
        """When the next look is due; infinite when focus is believed to stay."""
        off, rate = self.state - np.array([0.0, self.followed])
        (here, both), (_, rates) = self.covariance
        surplus = here + off**2 - _MOST_OFF**2  # the mean square, a cubic in the hours, less this
        roots = np.roots([self._wander / 3.0, rates + rate**2, 2.0 * (both + off * rate), surplus])
        later = roots.real[(abs(roots.imag) < 1e-9) & (roots.real > 0.0)]
        hours = 0.0 if surplus > 0.0 else float(min(later, default=np.inf))
        return self.at_s + max(_SOONEST_S, 3600.0 * hours)

    def shift_at(self, at_s: float) -> float:
        """Zones that the focuser follows by until a moment; no farther than a look is due."""
        return self.followed * (min(at_s, self.due_s) - self.at_s) / 3600.0

    def looked(self, at_s: float, found: float, error: float, left: float) -> "Drift":
        """A look found best focus so far from the focuser, and did not correct what is left.

        All in zones.
        """
        state, covariance = self._predicted(at_s)
        noise = error**2 + _OFFSET_ERROR**2
        news, variance = found - state[0], covariance[0, 0] + noise
        if abs(news) > _SLIP * variance**0.5:
            state, covariance = (
                np.array([found, state[1]]),
                np.diag([noise, max(self.believed**2, covariance[1, 1])]),
            )
        else:
            gain = covariance[:, 0] / variance
            state, covariance = state + gain * news, covariance - np.outer(gain, covariance[0])
        state = state - np.array([found - left, 0.0])
        sure = abs(state[1]) > _SURE * covariance[1, 1] ** 0.5
        return Drift(self.believed, at_s, state, covariance, float(state[1]) if sure else 0.0)

    @property
    def _wander(self) -> float:
        return (_WANDER * self.believed) ** 2

    def _predicted(self, at_s: float) -> tuple[Floats, Floats]:
        """State (2,), a shift in steps and its rate an hour, and its covariance (2, 2), at a later
        time.
        """
        hours = (at_s - self.at_s) / 3600.0
        on = np.array([[1.0, hours], [0.0, 1.0]])
        wander = self._wander * np.array(
            [[hours**3 / 3.0, hours**2 / 2.0], [hours**2 / 2.0, hours]]
        )
        state = on @ self.state - np.array([self.shift_at(at_s), 0.0])
        return state, on @ self.covariance @ on.T + wander
