"""The judgement of a frame, from what is known of it alone."""

from dataclasses import replace

import pytest

from nightloom.clouds import FramePolicy
from nightloom.frames.judging import (
    BUMP_ARCSEC,
    JudgedFacts,
    Judgement,
    JudgingMemory,
    JudgingPolicy,
    judge,
)
from nightloom.frames.quality import QualityPolicy

POLICY = JudgingPolicy(FramePolicy(accept_fraction=0.5), QualityPolicy(None, 0.4, 0.4))
CLEAR = JudgedFacts(
    target="NGC 891",
    filter="L",
    exposure_s=60.0,
    airmass=1.2,
    guide_rms_arcsec=0.6,
    guide_peak_arcsec=1.8,
    star_count=200,
    background_adu=900.0,
    half_flux_radius_px=2.0,
    ellipticity=0.1,
)


@pytest.fixture
def memory() -> JudgingMemory:
    """After some clear frames."""
    memory = JudgingMemory()
    for _ in range(4):
        memory, judgement = judge(CLEAR, memory, POLICY)
        assert judgement.accepted
    return memory


def test_a_clear_frame_counts_and_shows_sky_and_focus(memory: JudgingMemory) -> None:
    _, judgement = judge(CLEAR, memory, POLICY)
    assert judgement == Judgement("", 1.0, shows_focus=True)


def test_guide_stars_say_how_clear_the_sky_was_over_a_sub(memory: JudgingMemory) -> None:
    """Where its own stars cannot be matched: 0.70 of the light is 0.39 mag (Pogson's scale)."""
    _, judgement = judge(replace(CLEAR, guide_transparency=0.70), memory, POLICY)
    assert judgement == Judgement("guide stars at 0.70 of clear, 0.39 mag lost", 0.70, dim=True)
    _, judgement = judge(replace(CLEAR, guide_transparency=0.95), memory, POLICY)
    assert judgement == Judgement("", 0.95, shows_focus=True)


def test_a_bump_goes_before_all_else_and_says_nothing_of_sky_or_focus(
    memory: JudgingMemory,
) -> None:
    bumped = replace(
        CLEAR, guide_transparency=0.2, guide_peak_arcsec=BUMP_ARCSEC + 1.0, star_count=20
    )
    _, judgement = judge(bumped, memory, POLICY)
    assert judgement == Judgement("the telescope was 16″ off for a while")
    _, judgement = judge(replace(CLEAR, guide_peak_arcsec=BUMP_ARCSEC), memory, POLICY)
    assert judgement.accepted


def test_a_frame_that_was_not_measured_teaches_nothing(memory: JudgingMemory) -> None:
    after, judgement = judge(replace(CLEAR, unmeasured="nobody could"), memory, POLICY)
    assert (after, judgement) == (memory, Judgement("nobody could"))


def test_what_is_rejected_does_not_become_the_standard_of_depth(memory: JudgingMemory) -> None:
    thin = replace(CLEAR, star_count=60)
    after, judgement = judge(thin, memory, POLICY)
    assert not judgement.accepted
    assert after.depths == memory.depths
    assert judge(thin, after, POLICY)[1] == judgement
