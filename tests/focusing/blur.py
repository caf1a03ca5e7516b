"""Half-flux radii of a Gaussian star blurred by defocus, by numerical integration."""

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import ncx2


def blurred_radius(disk: float) -> float:
    """Half-flux radius in σ of a Gaussian convolved with a uniform disk of a radius in σ."""
    if disk < 1e-6:
        return float(np.sqrt(2 * np.log(2)))

    def inside(radius: float) -> float:
        # Light that the disk sent to a distance d lands with a noncentral chi-square spread.
        light, _ = quad(lambda d: 2 * d / disk**2 * ncx2.cdf(radius**2, 2, d**2), 0, disk)
        return float(light)

    return float(brentq(lambda radius: inside(radius) - 0.5, 0.5, disk + 3))
