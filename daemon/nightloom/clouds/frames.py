"""Is a main-camera frame as deep as it should be? Star counts against what the same target gave."""

import math
from dataclasses import dataclass, replace

import numpy as np

# Stars per magnitude grow by this exponent of ten: 0.6 for stars spread evenly through empty
# space; from the 12th magnitude to the 18th 0.26 at the galactic pole and 0.36 on the plane, in the
# star counts of the simulated sky, which tests hold against those of whole-sky catalogues.
COUNT_SLOPE = 0.3

# Stars this many times as large as before are disks or rings, whose number says little: of a field
# of 400 seen at f/5, counts told a clear sky's transparency as 1.0 to 1.6 at four times the size,
# as 0.7 to 1.2 at five, as 0.3 at eight (rendered frames).
COMPARABLE_SIZES = 4.0


@dataclass(frozen=True)
class SkyFacts:
    """What a frame shows. ``background_adu`` is the sky above the bias.

    Star size is the half-flux radius, which disks and rings have too; NaN without any.
    """

    star_count: int
    background_adu: float
    half_flux_radius_px: float
    exposure_s: float
    airmass: float


@dataclass(frozen=True)
class FramePolicy:
    """When a frame is refused, and when it may teach.

    ``accept_fraction`` and ``learn_fraction`` are transparencies. A sky brighter than
    ``brightening_max`` times the reference refuses the frame too. ``extinction_mag`` is per
    airmass. ``memory`` frames are kept.
    """

    accept_fraction: float = 0.6
    learn_fraction: float = 0.85
    brightening_max: float = 4.0
    stars_min: int = 10
    extinction_mag: float = 0.2
    memory: int = 12


@dataclass(frozen=True)
class SkyVerdict:
    """Whether a frame counts, why, and the transparency it shows (None without a reference)."""

    accepted: bool
    reason: str
    transparency: float | None = None


@dataclass(frozen=True)
class FrameReference:
    """Good frames of one target and one filter: what later ones are expected to match."""

    frames: tuple[SkyFacts, ...] = ()

    def expected_stars(self, frame: SkyFacts, policy: FramePolicy) -> float | None:
        """How many stars a clear sky would show in ``frame``; None where that cannot be told.

        That is before the first good frame, or when its stars are of quite another size.

        The upper quartile of the kept frames, each carried to this frame's depth: a thin veil
        over some of them does not become the standard.
        """
        if not self.comparable(frame):
            return None
        here = depth_mag(frame, policy.extinction_mag)
        counts = [
            good.star_count * 10 ** (COUNT_SLOPE * (here - depth_mag(good, policy.extinction_mag)))
            for good in self.frames
        ]
        return float(np.quantile(counts, 0.75))

    def comparable(self, frame: SkyFacts) -> bool:
        """Whether there is something to compare ``frame`` with, and its stars are of that size."""
        if not self.frames:
            return False
        usual_px = float(np.median([good.half_flux_radius_px for good in self.frames]))
        return frame.half_flux_radius_px < COMPARABLE_SIZES * usual_px

    def sky_adu_per_s(self) -> float | None:
        """Median sky brightness of the kept frames."""
        if not self.frames:
            return None
        return float(np.median([good.background_adu / good.exposure_s for good in self.frames]))

    def learn(self, frame: SkyFacts, verdict: SkyVerdict, policy: FramePolicy) -> "FrameReference":
        """With ``frame`` added if it was accepted and is itself clear; otherwise unchanged.

        Frames that are accepted but thin do not teach, or a slowly thickening cloud would pull
        the standard down after it; nor do those without a star size, or of quite another one.
        """
        first = not self.frames and math.isfinite(frame.half_flux_radius_px)
        if not first and not self.comparable(frame):
            return self
        transparency = 1.0 if verdict.transparency is None else verdict.transparency
        if not verdict.accepted or transparency < policy.learn_fraction:
            return self
        return replace(self, frames=(*self.frames, frame)[-policy.memory :])


def depth_mag(frame: SkyFacts, extinction_mag: float) -> float:
    """Faintest magnitude in reach, up to a constant, of a frame limited by the sky's photon noise.

    Signal goes as exposure and transparency, noise as star size and the root of the background.
    """
    return (
        2.5 * math.log10(frame.exposure_s)
        - 1.25 * math.log10(max(frame.background_adu, 1.0))
        - 2.5 * math.log10(frame.half_flux_radius_px)
        - extinction_mag * frame.airmass
    )


def judge_frame(frame: SkyFacts, reference: FrameReference, policy: FramePolicy) -> SkyVerdict:
    """Accept or refuse ``frame``.

    The star count against the expected one is turned into a transparency: a count grows as the
    2.5 × 0.3 power of it. A frame far out of focus says nothing of the sky.
    """
    expected = reference.expected_stars(frame, policy)
    if frame.star_count < policy.stars_min:
        text = f"{frame.star_count} stars, at least {policy.stars_min} wanted"
        return SkyVerdict(False, text, _shining_through(frame, reference, expected))
    sky = reference.sky_adu_per_s()
    if expected is None or sky is None:
        return SkyVerdict(True, f"{frame.star_count} stars, nothing to compare with")
    transparency = transparency_of(frame.star_count, expected)
    text = f"{frame.star_count} stars of {expected:.0f} expected, transparency {transparency:.2f}"
    if transparency < policy.accept_fraction:
        return SkyVerdict(False, f"{text}, under {policy.accept_fraction:.2f}", transparency)
    brightening = frame.background_adu / frame.exposure_s / max(sky, 1e-9)
    if brightening > policy.brightening_max:
        return SkyVerdict(False, f"sky {brightening:.1f} times brighter than before", transparency)
    return SkyVerdict(True, text, transparency)


def _shining_through(
    frame: SkyFacts, reference: FrameReference, expected: float | None
) -> float | None:
    """The transparency that a frame with hardly a star shows; None when it is only blurred."""
    if expected is not None:
        return transparency_of(frame.star_count, expected)
    blurred = reference.frames and math.isfinite(frame.half_flux_radius_px)
    return None if blurred else 0.0


def transparency_of(star_count: int, expected: float) -> float:
    """The transparency at which ``star_count`` of ``expected`` stars are still seen."""
    return float((star_count / expected) ** (1 / (2.5 * COUNT_SLOPE)))
