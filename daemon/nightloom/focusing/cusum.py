"""How often a running sum of deviations cries wolf: the CUSUM's run lengths.

A one-sided CUSUM S ← max(0, S + z − k) alarms when S reaches h. z is unit normal while nothing
has changed (Page 1954, Biometrika 41, 100).
"""

from math import expm1

from scipy.optimize import brentq

# A step jumps over the threshold by −ζ(½)/√(2π) = 0.583 σ on average, at both ends of the way.
_OVERSHOOT = 2 * 0.583


def run_length(threshold: float, allowance: float, shift: float = 0.0) -> float:
    """Mean number of values until the alarm, when they are shifted by `shift` standard deviations.

    Siegmund's approximation (Sequential Analysis, Springer 1985). Tests hold it against the
    integral equation: within 2 % without a shift, and 6 % with shifts of up to 2 σ.
    """
    way, drift = threshold + _OVERSHOOT, shift - allowance
    if drift == 0.0:
        return way**2
    return (expm1(-2 * drift * way) + 2 * drift * way) / (2 * drift**2)


def threshold_for(wanted_run_length: float, allowance: float) -> float:
    """The threshold with a run length; at least 1, for one value alone to decide nothing."""
    least = 1.0
    if run_length(least, allowance) >= wanted_run_length:
        return least
    most = least
    while run_length(most, allowance) < wanted_run_length:
        most *= 2.0
    return float(brentq(lambda h: run_length(h, allowance) - wanted_run_length, least, most))
