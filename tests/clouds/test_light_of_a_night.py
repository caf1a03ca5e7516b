"""What is clear, as the frames of a night show it, and which frames it takes back."""

from dataclasses import replace
from typing import Any

import pytest

from clouds.test_starlight import field, seen_again
from nightloom.clouds import (
    FramePolicy,
    FrameReference,
    LightReference,
    SkyFacts,
    SkyVerdict,
    judge_frame,
)

POLICY = FramePolicy(dimming_max_mag=0.25)
FIELD = field()


def frame(
    through: float, guide: float | None = None, airmass: float = 1.2, **shown: Any
) -> SkyFacts:
    """A frame of the field behind so much cloud; what the air itself takes is in its light."""
    air = 10 ** (-0.4 * POLICY.extinction_mag * airmass)
    return replace(
        SkyFacts(120, 1000.0, 2.0, 60.0, airmass, seen_again(FIELD, through=through * air), guide),
        **shown,
    )


def night(*frames: SkyFacts) -> tuple[FrameReference, list[SkyVerdict]]:
    """Frames judged in their order, each learned from."""
    known, verdicts = FrameReference(), []
    for one in frames:
        known, verdict = judge_frame(one, known, POLICY)
        known = known.learn(one, verdict, POLICY)
        verdicts.append(verdict)
    return known, verdicts


def transparencies(verdicts: list[SkyVerdict]) -> list[float | None]:
    return [verdict.transparency for verdict in verdicts]


def test_light_says_what_cloud_took() -> None:
    _, verdicts = night(frame(1.0), frame(1.0), frame(0.9), frame(0.7), frame(0.3))
    assert transparencies(verdicts) == [
        None,
        *(pytest.approx(share, abs=0.02) for share in (1.0, 0.9, 0.7, 0.3)),
    ]
    assert [verdict.accepted for verdict in verdicts] == [True, True, True, False, False]
    assert "0.39 mag lost" in verdicts[3].reason


def test_a_sinking_target_a_bright_moon_and_fewer_stars_are_no_cloud() -> None:
    """Bouguer's law for the air; moonlight hides faint stars and leaves bright ones their light."""
    low = frame(1.0, airmass=2.2)
    moonlit = frame(1.0, background_adu=6000.0, star_count=45, lit_sky=6.0)
    _, verdicts = night(frame(1.0), frame(1.0), low, moonlit)
    assert all(verdict.accepted for verdict in verdicts)
    assert transparencies(verdicts)[2:] == [pytest.approx(1.0, abs=0.02)] * 2


def test_light_that_neither_sun_nor_moon_explain_refuses_a_frame() -> None:
    _, verdicts = night(frame(1.0), frame(1.0), frame(1.0, background_adu=5000.0, lit_sky=1.1))
    assert not verdicts[-1].accepted
    assert "beyond Sun and Moon" in verdicts[-1].reason


def test_one_slip_does_not_become_the_clear_sky() -> None:
    """A frame whose stars seem twice as bright: those after it are judged by the others too."""
    _, verdicts = night(*[frame(1.0)] * 4, frame(1.3), *[frame(1.0)] * 3)
    assert all(one == pytest.approx(1 / 1.15, abs=0.02) for one in transparencies(verdicts)[5:])
    assert all(verdict.accepted for verdict in verdicts)


def test_guide_stars_say_what_is_clear_before_the_frames_know() -> None:
    """The first frames of a filter are behind cloud, which the guide stars have seen come."""
    _, verdicts = night(frame(0.6, guide=0.6), frame(0.65, guide=0.65), frame(1.0, guide=1.0))
    assert [verdict.accepted for verdict in verdicts] == [False, False, True]
    assert transparencies(verdicts)[:2] == [
        pytest.approx(0.6, abs=0.02),
        pytest.approx(0.65, abs=0.02),
    ]


def test_dim_guide_stars_do_not_reject_a_frame_whose_own_stars_are_all_there() -> None:
    _, verdicts = night(*[frame(1.0, guide=1.0)] * 5, frame(1.0, guide=0.5))
    assert verdicts[-1].accepted
    assert verdicts[-1].transparency == pytest.approx(1.0, abs=0.02)


def test_frames_kept_before_a_clearer_sky_was_seen_are_named() -> None:
    reference = LightReference()
    for number, through in enumerate((0.6, 0.62, 0.95, 1.0, 1.0)):
        reference, _ = reference.look(seen_again(FIELD, through=through), None)
        reference = reference.keep(f"f{number}")
    reference, dim = reference.too_dim(0.78)
    assert [uid for uid, _ in dim] == ["f0", "f1"]
    assert dim[0][1] == pytest.approx(0.6, abs=0.02)
    assert reference.too_dim(0.78)[1] == [], "each is named once"


def test_frames_of_a_filter_are_named_when_the_guide_stars_see_a_clearer_sky() -> None:
    """They were chosen behind the same cloud: what was 1 to them turns out to have been 0.5."""
    reference = LightReference()
    for number in range(3):
        uid = f"f{number}"
        reference, _ = reference.look(seen_again(FIELD, through=0.5), 1.0, uid)
        reference = reference.keep(uid)
    assert reference.too_dim(0.78)[1] == []
    reference = reference.guided_by({f"f{number}": 0.5 for number in range(3)})
    assert [uid for uid, _ in reference.too_dim(0.78)[1]] == ["f0", "f1", "f2"]


def test_a_frame_of_other_stars_says_nothing_and_is_not_remembered() -> None:
    reference, _ = LightReference().look(FIELD, None)
    reference = reference.keep("f0")
    other, shown = reference.look(field(9), None)
    assert shown is None
    assert other.keep("f1").kept == reference.kept
    assert other.ratios == reference.ratios


def test_across_the_meridian_the_reference_stays() -> None:
    turned = replace(frame(1.0), light=seen_again(FIELD, turn_deg=180.2, shift_px=(11, -8)))
    straight = replace(frame(1.0), light=seen_again(FIELD))
    _, verdicts = night(straight, straight, turned)
    assert verdicts[-1].transparency == pytest.approx(1.0, abs=0.02)
