"""Frames judged by their star counts, and what the judge may learn from."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from focusing.star_frames import Bench
from nightloom.clouds import FramePolicy, FrameReference, SkyFacts, SkyVerdict, judge_frame

POLICY = FramePolicy()
CLEAR = SkyFacts(
    star_count=400, background_adu=1000.0, half_flux_radius_px=3.0, exposure_s=120.0, airmass=1.2
)
TAUGHT = FrameReference((CLEAR,) * 5)


def judged(frame: SkyFacts, reference: FrameReference) -> SkyVerdict:
    """What is said of a frame of which nothing but the number of its stars is known."""
    return judge_frame(frame, reference, POLICY)[1]


def stars_in_reach(limit_mag: float) -> int:
    """A field whose counts grow by 10^0.3 a magnitude, 400 stars to magnitude 0."""
    return round(400 * 10 ** (0.3 * limit_mag))


def test_first_frame_is_accepted_and_teaches() -> None:
    verdict = judged(CLEAR, FrameReference())
    assert verdict.accepted
    assert verdict.transparency is None
    assert FrameReference().learn(CLEAR, verdict, POLICY).frames == (CLEAR,)


def test_empty_first_frame_is_refused_and_teaches_nothing() -> None:
    empty = replace(CLEAR, star_count=3, half_flux_radius_px=float("nan"))
    verdict = judged(empty, FrameReference())
    assert not verdict.accepted
    assert verdict.transparency == 0
    assert FrameReference().learn(empty, verdict, POLICY).frames == ()


@pytest.mark.parametrize("transparency", [1.0, 0.8, 0.5, 0.25])
def test_transparency_is_read_from_the_count(transparency: float) -> None:
    """The limit falls by 2.5 log10 of the transparency (Pogson's scale), the count follows."""
    count = stars_in_reach(2.5 * float(np.log10(transparency)))
    verdict = judged(replace(CLEAR, star_count=count), TAUGHT)
    assert verdict.transparency == pytest.approx(transparency, rel=0.01)
    assert verdict.accepted == (transparency >= POLICY.accept_fraction)


def test_half_lit_stars_behind_cloud_are_refused_with_the_reason() -> None:
    verdict = judged(replace(CLEAR, star_count=150), TAUGHT)
    assert not verdict.accepted
    assert "150 stars of 400 expected" in verdict.reason


@pytest.mark.parametrize(
    ("change", "loss_mag"),
    [
        ({"background_adu": 2000.0}, 1.25 * np.log10(2)),
        ({"half_flux_radius_px": 4.5}, 2.5 * np.log10(1.5)),
        ({"airmass": 2.2}, 0.2),
        ({"exposure_s": 60.0, "background_adu": 500.0}, 1.25 * np.log10(2)),
    ],
)
def test_moon_seeing_air_and_exposure_are_not_clouds(
    change: dict[str, Any], loss_mag: float
) -> None:
    """The limit of a frame that sees sky photons only: signal over root of background over area."""
    frame = replace(CLEAR, star_count=stars_in_reach(-loss_mag), **change)
    verdict = judged(frame, TAUGHT)
    assert verdict.transparency == pytest.approx(1.0, rel=0.01)


def test_sky_far_brighter_than_before_is_refused() -> None:
    lit = replace(CLEAR, background_adu=5000.0, star_count=380)
    verdict = judged(lit, TAUGHT)
    assert not verdict.accepted
    assert "5.0 times brighter" in verdict.reason


@pytest.mark.parametrize("count", [4, 35])
@pytest.mark.parametrize("radius_px", [15.0, 80.0])
def test_frames_far_out_of_focus_say_nothing_of_the_sky(count: int, radius_px: float) -> None:
    """Rings are fewer than stars under any sky; whoever judges sharpness refuses them."""
    rings = replace(CLEAR, star_count=count, half_flux_radius_px=radius_px)
    verdict = judged(rings, TAUGHT)
    assert verdict.accepted == (count >= POLICY.stars_min)
    assert verdict.transparency is None
    assert TAUGHT.learn(rings, verdict, POLICY) == TAUGHT


def test_a_frame_without_star_size_is_not_compared_and_teaches_nothing() -> None:
    """All of its stars may be saturated; the frames after it are judged as before."""
    sizeless = replace(CLEAR, half_flux_radius_px=float("nan"))
    for reference in (TAUGHT, FrameReference()):
        verdict = judged(sizeless, reference)
        assert verdict.accepted
        assert verdict.transparency is None
        assert reference.learn(sizeless, verdict, POLICY) == reference


@pytest.mark.parametrize("obstruction", [0.0, 0.35])
def test_defocused_frames_of_a_clear_sky_are_not_taken_for_clouds(obstruction: float) -> None:
    """Rendered fields from focus to 20 zones away, at f/5; the FWHM of a ring's core is no size."""
    bench = Bench(np.random.default_rng(2), obstruction=obstruction, stars=400)

    def seen(away_steps: float) -> SkyFacts:
        field = bench.measured(bench.best_steps + away_steps)
        return SkyFacts(field.count, field.background_adu, field.half_flux_radius_px, 4.0, 1.2)

    reference = FrameReference(tuple(seen(0.0) for _ in range(4)))
    for away_steps in (0, 30, 60, 100, 250, 400, 700):
        verdict = judged(seen(away_steps), reference)
        assert verdict.transparency is None or verdict.transparency > POLICY.accept_fraction
    assert judged(seen(400), reference).transparency is None


def test_thickening_cloud_does_not_pull_the_standard_down() -> None:
    """Each frame shows 2 % fewer stars than the one before, and the end is still refused."""
    reference, verdicts = TAUGHT, []
    for number in range(60):
        frame = replace(CLEAR, star_count=round(400 * 0.98**number))
        verdict = judged(frame, reference)
        reference = reference.learn(frame, verdict, POLICY)
        verdicts.append(verdict.accepted)
    assert verdicts[0]
    assert not verdicts[-1]


@given(st.lists(st.integers(0, 500), max_size=60))
def test_only_good_frames_are_ever_kept(counts: list[int]) -> None:
    """No kept frame is under the share that lets a frame teach, against what taught before it."""
    reference = TAUGHT
    for count in counts:
        frame = replace(CLEAR, star_count=count)
        verdict = judged(frame, reference)
        taught = reference.learn(frame, verdict, POLICY)
        if taught != reference:
            assert verdict.accepted
            assert verdict.transparency is not None
            assert verdict.transparency >= POLICY.learn_fraction
        assert len(taught.frames) <= POLICY.memory
        reference = taught
