"""Whether a frame is as sharp and as round as it should be, and was guided well enough."""

import math
from dataclasses import dataclass, replace
from statistics import median

RECENT = 9
"""So many frames of a filter tell its usual star size: an hour or two, as the air goes."""

RECENT_GUIDED = 31
"""Frames, of any filter, that tell the usual guide error: gusts must last for half of them, an hour
or so, before they count as usual."""

ENOUGH = 3
"""Fewer tell nothing yet."""

GUIDE_GROWTH_MAX = 1.6
"""A guide error so many times the usual one makes stars larger by as much as focus may before it
is looked at: from 0.8″ to 1.3″ rms by a tenth, where the air makes them 3″ wide (in quadrature)."""


USUAL, IN_FOCUS = "usual in this filter", "in focus under this air"
"""What a star size is held against: the filter's frames before it, or the last good curve."""


@dataclass(frozen=True)
class QualityPolicy:
    """What a frame may show at most; None allows everything.

    `growth_max` is the part by which the star size may exceed the filter's usual one.
    `ellipticity_max` is 1 − short axis / long axis.
    """

    guide_rms_max_arcsec: float | None = None
    ellipticity_max: float | None = None
    growth_max: float | None = None


@dataclass(frozen=True)
class Usual:
    """What is usual of a number that every frame shows: star size at the zenith, or guide error.

    Every frame that shows it counts, rejected ones too: when the air has turned for good, its star
    size is the usual one after half as many frames as are kept, and the night goes on.
    """

    kept: int = RECENT
    recent: tuple[float, ...] = ()

    @property
    def median(self) -> float | None:
        """The usual value; None before it is known."""
        return median(self.recent) if len(self.recent) >= ENOUGH else None

    def seen(self, value: float | None) -> "Usual":
        """With one frame more; None and NaN say nothing."""
        if value is None or not math.isfinite(value):
            return self
        return replace(self, recent=(*self.recent, value)[-self.kept :])


def guided_as_usual(guide_rms_arcsec: float | None, usual_arcsec: float | None) -> bool:
    """Whether guiding leaves a frame's star size to tell of the focus; None is what is unknown."""
    if guide_rms_arcsec is None or usual_arcsec is None:
        return True
    return guide_rms_arcsec <= GUIDE_GROWTH_MAX * usual_arcsec


def quality_doubt(
    guide_rms_arcsec: float | None,
    ellipticity: float,
    size_px: float,
    usual_px: float | None,
    policy: QualityPolicy,
    standard: str = USUAL,
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
            f"stars are {growth_percent:.0f} % larger than {standard},"
            f" at most {100 * policy.growth_max:g} % allowed"
        )
    return ""
