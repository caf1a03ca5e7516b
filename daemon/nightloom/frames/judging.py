"""The judgement of a light frame: whether it counts, why not, and what it shows besides.

What was known when its shutter closed goes first, then the depth of its stars, then their shape
and size. Each frame is held to the earlier ones of the night, which `JudgingMemory` carries.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from nightloom.clouds import FramePolicy, FrameReference, SkyFacts, judge_frame
from nightloom.frames.quality import (
    RECENT_GUIDED,
    QualityPolicy,
    Usual,
    guided_as_usual,
    quality_doubt,
)
from nightloom.frames.seeing import at_zenith_px

BUMP_ARCSEC = 15.0
"""No air moves a guide star so far: something pushed the telescope, and trailed the stars."""


@dataclass(frozen=True, kw_only=True)
class JudgedFacts:
    """What is known of a light frame: of its taking, and what its pixels show.

    Guide errors are None when nothing was guided; star sizes are NaN without stars. `clouded` says
    that the guide stars dimmed meanwhile, `unmeasured` why the pixels could not be measured.
    """

    target: str
    filter: str
    exposure_s: float
    airmass: float
    clouded: bool
    guide_rms_arcsec: float | None
    guide_peak_arcsec: float | None
    star_count: int
    background_adu: float
    half_flux_radius_px: float
    ellipticity: float
    unmeasured: str = ""


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

    `transparency` is what it shows of the sky, None when it says nothing of it. `shows_focus`
    tells that its star size is that of the focus and the air, and of nothing else.
    """

    reason: str = ""
    transparency: float | None = None
    shows_focus: bool = False

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
    depth = judge_frame(seen, known, policy.depth)
    reason = _while_open(facts) or ("" if depth.accepted else depth.reason)
    shows_focus = False
    if not reason:
        memory, reason, shows_focus = _quality(facts, memory, policy.quality)
    learned = known.learn(seen, replace(depth, accepted=not reason), policy.depth)
    memory = replace(memory, depths={**memory.depths, key: learned})
    transparency = None if _bumped(facts) else depth.transparency
    return memory, Judgement(reason, transparency, shows_focus)


def _while_open(facts: JudgedFacts) -> str:
    """What happened while the shutter was open; empty for nothing."""
    if _bumped(facts):
        return f"the telescope was {facts.guide_peak_arcsec:.0f}″ off for a while"
    return "cloud passed over it" if facts.clouded else ""


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
    )


def _quality(
    facts: JudgedFacts, memory: JudgingMemory, policy: QualityPolicy
) -> tuple[JudgingMemory, str, bool]:
    """What speaks against a frame's guiding and its stars, and whether it shows the focus.

    It does when nothing but its star size speaks against it, and it was guided as is usual.
    """
    usual = memory.sizes_px.get(facts.filter, Usual())
    size_px = at_zenith_px(facts.half_flux_radius_px, facts.airmass)
    shown = (facts.guide_rms_arcsec, facts.ellipticity, size_px, usual.median)
    guided = guided_as_usual(facts.guide_rms_arcsec, memory.guide_rms_arcsec.median)
    shows_focus = guided and not quality_doubt(*shown, replace(policy, growth_max=None))
    memory = replace(
        memory,
        sizes_px={**memory.sizes_px, facts.filter: usual.seen(size_px)},
        guide_rms_arcsec=memory.guide_rms_arcsec.seen(facts.guide_rms_arcsec),
    )
    return memory, quality_doubt(*shown, policy), shows_focus
