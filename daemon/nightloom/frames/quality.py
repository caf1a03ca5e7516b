"""Whether a frame is as sharp and as round as it should be, and was guided well enough."""

import math
from collections import deque
from dataclasses import dataclass, field

RECENT = 9
"""So many frames of a filter tell its usual star size: an hour or two, as the air goes."""

ENOUGH = 3
"""Fewer tell nothing yet."""


@dataclass(frozen=True)
class QualityPolicy:
    """What a frame may show at most; None allows everything.

    `growth_max` is the part by which the star size may exceed the filter's usual one.
    `ellipticity_max` is 1 − short axis / long axis.
    """

    guide_rms_max_arcsec: float | None = None
    ellipticity_max: float | None = None
    growth_max: float | None = None


@dataclass
class UsualSize:
    """The recent star sizes of one filter, each carried to the zenith.

    Every frame with stars counts, rejected ones too: when the air has turned for good, its star
    size is the usual one after half of `RECENT` frames, and the night goes on.
    """

    recent_px: deque[float] = field(default_factory=lambda: deque(maxlen=RECENT))

    @property
    def median_px(self) -> float | None:
        """The usual size; None before it is known."""
        if len(self.recent_px) < ENOUGH:
            return None
        ordered = sorted(self.recent_px)
        middle = len(ordered) // 2
        return (ordered[middle] + ordered[~middle]) / 2

    def add(self, size_px: float) -> None:
        """Take note of one frame; one without a size says nothing."""
        if math.isfinite(size_px):
            self.recent_px.append(size_px)


def quality_doubt(
    guide_rms_arcsec: float | None,
    ellipticity: float,
    size_px: float,
    usual_px: float | None,
    policy: QualityPolicy,
) -> str:
    """Why a frame is to be rejected; empty when nothing speaks against it.

    What was not measured (None, NaN) speaks against nothing.
    """
    most = policy.guide_rms_max_arcsec
    if most is not None and guide_rms_arcsec is not None and guide_rms_arcsec > most:
        return f"guide error {guide_rms_arcsec:.2f}″, at most {most:g}″ allowed"
    if policy.ellipticity_max is not None and ellipticity > policy.ellipticity_max:
        return f"stars of ellipticity {ellipticity:.2f}, at most {policy.ellipticity_max:g} allowed"
    if policy.growth_max is not None and usual_px and size_px > usual_px * (1 + policy.growth_max):
        growth_percent = 100 * (size_px / usual_px - 1)
        return (
            f"stars are {growth_percent:.0f} % larger than usual in this filter,"
            f" at most {100 * policy.growth_max:g} % allowed"
        )
    return ""
