"""The judgement of a light frame: whether it counts, why not, and what it shows besides.

What was known when its shutter closed goes first, then the depth of its stars, then their shape
and size. Each frame is held to the earlier ones of the night, which `JudgingMemory` carries.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from nightloom.clouds import (
    FramePolicy,
    FrameReference,
    SkyFacts,
    StarLight,
    extinction_mag,
    judge_frame,
    transparency_at,
)
from nightloom.frames.quality import (
    IN_FOCUS,
    RECENT_GUIDED,
    USUAL,
    QualityPolicy,
    Usual,
    guided_as_usual,
    quality_doubt,
)
from nightloom.frames.seeing import at_zenith_px

BUMP_ARCSEC = 15.0
"""No air moves a guide star so far: something pushed the telescope, and trailed the stars."""

DOUBT_MAG = 0.005
"""A verdict stands unless it was wrong by more than a frame is measured to."""


@dataclass(frozen=True, kw_only=True)
class JudgedFacts:
    """What is known of a light frame: of its taking, and what its pixels show.

    Guide errors are None when nothing was guided; star sizes are NaN without stars.
    `guide_transparency` is the mean that the guide stars had meanwhile, `light` that of the frame's
    own stars, `lit_sky` how bright Sun and Moon make a clear sky, in parts of a dark one; None is
    what is not known. `in_focus_px` is the star size that the last good focus curve lets expect
    under the air of the moment, NaN unknown. `unmeasured` says why the pixels could not be
    measured.
    """

    target: str
    filter: str
    exposure_s: float
    airmass: float
    guide_rms_arcsec: float | None
    guide_peak_arcsec: float | None
    star_count: int
    background_adu: float
    half_flux_radius_px: float
    ellipticity: float
    unmeasured: str = ""
    uid: str = ""
    guide_transparency: float | None = None
    light: StarLight | None = None
    lit_sky: float | None = None
    in_focus_px: float = math.nan


@dataclass(frozen=True)
class JudgingPolicy:
    """What a frame must show at least and may show at most."""

    depth: FramePolicy
    quality: QualityPolicy


@dataclass(frozen=True)
class JudgingMemory:
    """What the night's earlier frames say of the next one.

    Depth goes by target and filter, the star size at the zenith by filter.
    """

    depths: Mapping[tuple[str, str], FrameReference] = field(default_factory=dict)
    sizes_px: Mapping[str, Usual] = field(default_factory=dict)
    guide_rms_arcsec: Usual = field(default_factory=lambda: Usual(RECENT_GUIDED))


@dataclass(frozen=True)
class Judgement:
    """Whether a frame counts; the reason is empty when nothing speaks against it.

    `transparency` is what it shows of the sky, with its standard error where the stars' light gave
    it, None when it says nothing of it. `shows_focus` tells that its star size is that of the focus
    and the air, and of nothing else. `dim`: it was the sky that was against it. `too_dim` are
    earlier frames, by name, that were accepted before anybody knew how clear the sky can be, each
    with the reason why it does not count.
    """

    reason: str = ""
    transparency: float | None = None
    shows_focus: bool = False
    error: float | None = None
    dim: bool = False
    too_dim: tuple[tuple[str, str], ...] = ()

    @property
    def accepted(self) -> bool:
        """Whether it counts."""
        return not self.reason


def judge(
    facts: JudgedFacts, memory: JudgingMemory, policy: JudgingPolicy
) -> tuple[JudgingMemory, Judgement]:
    """Judge one light frame, and learn from it.

    A frame that could not be measured teaches nothing, and only its being so is known.
    """
    if facts.unmeasured:
        return memory, Judgement(facts.unmeasured)
    key = (facts.target, facts.filter)
    seen, known = _depth(facts), memory.depths.get(key, FrameReference())
    if _bumped(facts):
        bump = f"the telescope was {facts.guide_peak_arcsec:.0f}″ off for a while"
        return memory, Judgement(bump)
    known, depth = judge_frame(seen, known, policy.depth)
    reason = "" if depth.accepted else depth.reason
    shows_focus = False
    if not reason:
        memory, reason, shows_focus = _quality(facts, memory, policy.quality)
    known = known.learn(seen, replace(depth, accepted=not reason), policy.depth)
    if not reason:
        known = replace(known, light=known.light.keep(facts.uid))
    known, too_dim = _too_dim(known, policy.depth)
    memory = replace(memory, depths={**memory.depths, key: known})
    dim = not depth.accepted
    return memory, Judgement(reason, depth.transparency, shows_focus, depth.error, dim, too_dim)


def look_again(
    memory: JudgingMemory, guides: Mapping[str, float], policy: JudgingPolicy
) -> tuple[JudgingMemory, dict[str, str]]:
    """Accepted frames that turn out too dim, by what the guide stars make of earlier subs now.

    `guides` are transparencies by the names of frames. Each is named once, with the reason.
    """
    depths, named = dict(memory.depths), dict[str, str]()
    for key, known in memory.depths.items():
        guided = replace(known, light=known.light.guided_by(guides))
        depths[key], too_dim = _too_dim(guided, policy.depth)
        named |= dict(too_dim)
    return replace(memory, depths=depths), named


def _too_dim(
    known: FrameReference, policy: FramePolicy
) -> tuple[FrameReference, tuple[tuple[str, str], ...]]:
    """Frames that were accepted, and should not have been."""
    light, dim = known.light.too_dim(transparency_at(policy.dimming_max_mag + DOUBT_MAG))
    reasons = tuple(
        (
            uid,
            f"its stars were at {part:.2f} of the clear sky seen later,"
            f" {extinction_mag(part):.2f} mag lost",
        )
        for uid, part in dim
    )
    return replace(known, light=light), reasons


def _bumped(facts: JudgedFacts) -> bool:
    """Whether the telescope was moved off: few stars then say nothing of the sky."""
    return facts.guide_peak_arcsec is not None and facts.guide_peak_arcsec > BUMP_ARCSEC


def _depth(facts: JudgedFacts) -> SkyFacts:
    return SkyFacts(
        facts.star_count,
        facts.background_adu,
        facts.half_flux_radius_px,
        facts.exposure_s,
        facts.airmass,
        facts.light,
        facts.guide_transparency,
        facts.lit_sky,
        facts.uid,
    )


def _quality(
    facts: JudgedFacts, memory: JudgingMemory, policy: QualityPolicy
) -> tuple[JudgingMemory, str, bool]:
    """What speaks against a frame's guiding and its stars, and whether it shows the focus.

    It does when nothing but its star size speaks against it, and it was guided as is usual.
    """
    usual = memory.sizes_px.get(facts.filter, Usual())
    size_px = at_zenith_px(facts.half_flux_radius_px, facts.airmass)
    sizes, standard = (size_px, usual.median), USUAL
    if math.isfinite(facts.in_focus_px):  # what is usual creeps after a focus that drifts
        sizes, standard = (facts.half_flux_radius_px, facts.in_focus_px), IN_FOCUS
    shown = (facts.guide_rms_arcsec, facts.ellipticity, *sizes)
    guided = guided_as_usual(facts.guide_rms_arcsec, memory.guide_rms_arcsec.median)
    shows_focus = guided and not quality_doubt(*shown, replace(policy, growth_max=None))
    memory = replace(
        memory,
        sizes_px={**memory.sizes_px, facts.filter: usual.seen(size_px)},
        guide_rms_arcsec=memory.guide_rms_arcsec.seen(facts.guide_rms_arcsec),
    )
    return memory, quality_doubt(*shown, policy, standard), shows_focus
