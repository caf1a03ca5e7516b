"""Whether the stars do what the calibration says they do."""

import math

# Sums of the past fade by this each frame: a few hundred frames count.
FADE = 0.995
# Sure enough to judge, and how far from the whole way is too far.
ERROR_MAX, PROVEN_ERROR_MAX = 0.15, 0.35
LEAST, MOST = 0.5, 1.7
# What runs away the wrong way round doubles with each frame: too far by so many errors will do.
SURE_ERRORS = 3.0
# A long move counts no more than this many times the scatter: one alone may have met a gust.
MOVE_MAX = 3.0
# Further off than this many scatters beyond twice the move is a gust's or a bump's doing.
MISS_MAX = 3.0


class Response:
    """Compares what corrections should have moved with what they did.

    Each frame's distance from its forecast is regressed on the move before it: a calibration that
    fits leaves nothing, one whose sign is wrong leaves minus two of it.
    """

    def __init__(self) -> None:
        self._moves, self._products = 0.0, 0.0

    def add(self, moved_px: float, miss_px: float, scatter_px: float) -> None:
        """Take a move that should have been, and the distance from the forecast that included it.

        Both are weighed by the scatter of such distances.
        """
        largest = 2 * abs(moved_px) + MISS_MAX * scatter_px
        miss_px = max(-largest, min(largest, miss_px))
        weight = min(1.0, MOVE_MAX * scatter_px / max(abs(moved_px), 1e-9)) / scatter_px
        self._moves = FADE * self._moves + (weight * moved_px) ** 2
        self._products = FADE * self._products + weight**2 * moved_px * miss_px

    @property
    def share(self) -> float:
        """The part of the expected way that the stars go; NaN when nothing moved."""
        return 1 + self._products / self._moves if self._moves else math.nan

    @property
    def error(self) -> float:
        """Standard error of that part."""
        return self._moves**-0.5 if self._moves else math.inf

    @property
    def fits(self) -> bool:
        """False once the calibration is surely wrong."""
        if not self._moves or LEAST <= self.share <= MOST:
            return True
        beyond = max(LEAST - self.share, self.share - MOST)
        return self.error > ERROR_MAX and beyond < SURE_ERRORS * self.error

    @property
    def proven(self) -> bool:
        """True once the calibration is likely right."""
        return self.error <= PROVEN_ERROR_MAX and LEAST <= self.share <= MOST
