"""How well the guiding goes."""

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class GuideStatistics:
    """Running figures since the last fresh one, in arcseconds from the hold point."""

    scale_arcsec_per_px: float
    count: int = 0
    ra_square_sum: float = 0.0
    dec_square_sum: float = 0.0
    seeing_square_sum: float = 0.0
    peak_arcsec: float = 0.0

    def add(self, ra_px: float, dec_px: float, seeing_px: float = math.nan) -> "GuideStatistics":
        """With one more error along the axes, of which the air makes ``seeing_px`` at present.

        A NaN error (no star held) changes nothing.
        """
        ra, dec = ra_px * self.scale_arcsec_per_px, dec_px * self.scale_arcsec_per_px
        if math.isnan(ra) or math.isnan(dec):
            return self
        return GuideStatistics(
            self.scale_arcsec_per_px,
            self.count + 1,
            self.ra_square_sum + ra * ra,
            self.dec_square_sum + dec * dec,
            self.seeing_square_sum + (seeing_px * self.scale_arcsec_per_px) ** 2,
            max(self.peak_arcsec, math.hypot(ra, dec)),
        )

    def fresh(self) -> "GuideStatistics":
        """Empty, at the same scale."""
        return GuideStatistics(self.scale_arcsec_per_px)

    @property
    def ra_rms_arcsec(self) -> float:
        """Root mean square error in RA, NaN before the first frame."""
        return self._root(self.ra_square_sum)

    @property
    def dec_rms_arcsec(self) -> float:
        """Root mean square error in declination, NaN before the first frame."""
        return self._root(self.dec_square_sum)

    @property
    def rms_arcsec(self) -> float:
        """Root mean square distance, NaN before the first frame."""
        return self._root(self.ra_square_sum + self.dec_square_sum)

    @property
    def seeing_arcsec(self) -> float:
        """The part of `rms_arcsec` that the air and the measurement make: no mount holds better.

        They are known over the last minutes: where fewer frames were luckier, it is all of it.
        """
        return min(self._root(self.seeing_square_sum), self.rms_arcsec)

    def _root(self, square_sum: float) -> float:
        return math.sqrt(square_sum / self.count) if self.count else math.nan
