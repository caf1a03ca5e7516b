"""Whether a main-camera frame is as deep as it should be, against what the same target gave.

Its stars' light says it. Where they cannot be matched the guide stars do, and where nothing was
guided the star count, which also hangs on the sky's glow and on the stars' size.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np

from nightloom.clouds.reference import LightReference, Shown
from nightloom.clouds.starlight import StarLight, extinction_mag, transparency_at

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
    """What a frame shows. ``background_adu`` is the sky with the camera's bias still in it.

    Star size is the half-flux radius, which disks and rings have too; NaN without any. `light` is
    that of its stars, `guide` the mean transparency that the guide stars had meanwhile, and
    `lit_sky` how bright a clear sky is then by Sun and Moon, in parts of a dark one; None unknown.
    """

    star_count: int
    background_adu: float
    half_flux_radius_px: float
    exposure_s: float
    airmass: float
    light: StarLight | None = None
    guide: float | None = None
    lit_sky: float | None = None
    uid: str = ""


@dataclass(frozen=True)
class FramePolicy:
    """When a frame is refused, and when it may teach.

    ``accept_fraction`` and ``learn_fraction`` are transparencies by star count. By their light no
    more than ``dimming_max_mag`` is accepted. A sky brighter than ``brightening_max`` times what
    the reference and Sun and Moon explain refuses the frame too. ``extinction_mag`` is per
    airmass. ``memory`` frames are kept.
    """

    accept_fraction: float = 0.6
    dimming_max_mag: float = 0.25
    learn_fraction: float = 0.85
    brightening_max: float = 4.0
    stars_min: int = 10
    extinction_mag: float = 0.2
    memory: int = 12

    @property
    def accept_light(self) -> float:
        """The least part of a clear sky's light that is accepted."""
        return transparency_at(self.dimming_max_mag)


@dataclass(frozen=True)
class SkyVerdict:
    """Whether a frame counts, why, and the transparency it shows (None without a reference).

    `error` is the standard error of that, where its stars' light was measured.
    """

    accepted: bool
    reason: str
    transparency: float | None = None
    error: float | None = None


@dataclass(frozen=True)
class FrameReference:
    """Good frames of one target and one filter: what later ones are expected to match."""

    frames: tuple[SkyFacts, ...] = ()
    light: LightReference = field(default_factory=LightReference)

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

    def brightening(self, frame: SkyFacts) -> float | None:
        """How many times brighter than in the kept frames the sky is, beyond Sun and Moon."""
        if not self.frames:
            return None
        usual = float(np.median([_own_glow_adu_per_s(good) for good in self.frames]))
        return _own_glow_adu_per_s(frame) / max(usual, 1e-9)

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
        bare = replace(frame, light=None)
        return replace(self, frames=(*self.frames, bare)[-policy.memory :])


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


def judge_frame(
    frame: SkyFacts, reference: FrameReference, policy: FramePolicy
) -> tuple[FrameReference, SkyVerdict]:
    """Accept or refuse ``frame``; the reference knows its light from then on.

    A frame far out of focus says nothing of the sky.
    """
    expected = reference.expected_stars(frame, policy)
    if frame.star_count < policy.stars_min:
        text = f"{frame.star_count} stars, at least {policy.stars_min} wanted"
        reference = replace(reference, light=replace(reference.light, latest=None))
        return reference, SkyVerdict(False, text, _shining_through(frame, reference, expected))
    shown: Shown | None = None
    light = replace(reference.light, latest=None)
    if frame.light is not None and (not reference.frames or reference.comparable(frame)):
        outside = _outside_the_air(frame.light, frame.airmass, policy)
        light, shown = light.look(outside, frame.guide, frame.uid)
    reference = replace(reference, light=light)
    verdict = _by_light(frame, shown, policy) or _by_count(frame, reference, expected, policy)
    brightening = reference.brightening(frame)
    if verdict.accepted and brightening is not None and brightening > policy.brightening_max:
        text = f"sky {brightening:.1f} times brighter than before, beyond Sun and Moon"
        return reference, replace(verdict, accepted=False, reason=text)
    return reference, verdict


def _by_light(frame: SkyFacts, shown: Shown | None, policy: FramePolicy) -> SkyVerdict | None:
    """By the stars' own light, or else by the guide stars; None when neither says anything."""
    if shown is None:
        if frame.guide is None:
            return None
        transparency, error, what = frame.guide, None, "guide stars"
    else:
        transparency, error, what = shown.transparency, shown.error, f"{shown.stars} stars"
    lost_mag = extinction_mag(transparency)
    text = f"{what} at {transparency:.2f} of clear, {max(lost_mag, 0.0):.2f} mag lost"
    return SkyVerdict(transparency >= policy.accept_light, text, transparency, error)


def _by_count(
    frame: SkyFacts, reference: FrameReference, expected: float | None, policy: FramePolicy
) -> SkyVerdict:
    """By the number of stars, turned into a transparency: a count grows as its 2.5 × 0.3 power."""
    if expected is None:
        return SkyVerdict(True, f"{frame.star_count} stars, nothing to compare with")
    transparency = transparency_of(frame.star_count, expected)
    text = f"{frame.star_count} stars of {expected:.0f} expected, transparency {transparency:.2f}"
    if transparency < policy.accept_fraction:
        text = f"{text}, under {policy.accept_fraction:.2f}"
        return SkyVerdict(False, text, transparency)
    return SkyVerdict(True, text, transparency)


def _outside_the_air(light: StarLight, airmass: float, policy: FramePolicy) -> StarLight:
    """As it is before the air dims it: Bouguer's law, so many magnitudes an airmass."""
    return replace(
        light, adu_per_s=light.adu_per_s / transparency_at(policy.extinction_mag * airmass)
    )


def _own_glow_adu_per_s(frame: SkyFacts) -> float:
    """The sky's brightness in parts of what Sun and Moon make of a dark one."""
    return frame.background_adu / frame.exposure_s / (frame.lit_sky or 1.0)


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
