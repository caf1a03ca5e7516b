"""How star size follows the air that the light comes through."""

SEEING_EXPONENT = 0.6  # of airmass: Kolmogorov turbulence (Neilsen et al. 2019, arXiv:1912.06254)


def at_zenith_px(radius_px: float, airmass: float) -> float:
    """Half-flux radius as the same air would give it at the zenith; NaN stays NaN."""
    return float(radius_px / airmass**SEEING_EXPONENT)
