"""How large stars may be in focus: what a good curve's minimum says for other air and filters."""

import math
from dataclasses import dataclass

SEEING_BY_WAVELENGTH = -0.2
"""Power of the wavelength that seeing goes by in Kolmogorov turbulence (Fried 1966, JOSA 56, 1372:
the coherence length grows as its 6/5 power)."""

SHARPER_MOST = 0.8
"""Of the curve's minimum: so much sharper at most are stars asked to be when the air calms down,
since guide stars are measured on coarse pixels."""


@dataclass(frozen=True)
class Sharpest:
    """The minimum of a good curve, and how wide the guide stars were meanwhile.

    The main camera's half-flux radius and the guide stars' FWHM are both in its pixels.
    """

    radius_px: float
    wavelength_nm: float
    guide_fwhm_px: float

    def expected_px(self, wavelength_nm: float, guide_fwhm_px: float) -> float:
        """The half-flux radius of a frame in focus, by the guide stars' FWHM during it; NaN where
        that is not known.

        Both cameras look through the same air, and squares of widths add up: what the guide stars
        gained, the main camera's did, whatever else blurs either. A star's half-flux radius is
        half of its FWHM, as a Gaussian's is.
        """
        in_focus = self.radius_px * (wavelength_nm / self.wavelength_nm) ** SEEING_BY_WAVELENGTH
        gained = (guide_fwhm_px**2 - self.guide_fwhm_px**2) / 4.0
        if math.isnan(gained):
            return math.nan
        return math.sqrt(max(in_focus**2 + gained, (SHARPER_MOST * in_focus) ** 2))
