"""Frames that are rejected for their guiding or their star shape, and those that are not."""

import math

import pytest

from nightloom.frames import QualityPolicy, Usual, guided_as_usual, quality_doubt

POLICY = QualityPolicy(guide_rms_max_arcsec=1.5, ellipticity_max=0.4, growth_max=0.4)


@pytest.mark.parametrize(
    ("rms", "ellipticity", "size_px", "doubt"),
    [
        (1.2, 0.2, 2.2, ""),
        (1.6, 0.2, 2.2, "guide error 1.60″, at most 1.5″ allowed"),
        (1.2, 0.45, 2.2, "stars of ellipticity 0.45, at most 0.4 allowed"),
        (1.2, 0.2, 3.0, "stars are 50 % larger than usual in this filter, at most 40 % allowed"),
        (None, math.nan, math.nan, ""),
    ],
)
def test_each_limit_has_its_reason(
    rms: float | None, ellipticity: float, size_px: float, doubt: str
) -> None:
    assert quality_doubt(rms, ellipticity, size_px, 2.0, POLICY) == doubt


def test_nothing_is_asked_for_without_limits() -> None:
    assert quality_doubt(9.0, 0.9, 9.0, 2.0, QualityPolicy()) == ""


def test_the_usual_size_is_the_median_of_the_recent_frames() -> None:
    usual = Usual()
    for size_px in (2.0, 2.2):
        usual = usual.seen(size_px)
    assert usual.median is None, "two frames tell nothing"
    for size_px in (math.nan, 9.0):
        usual = usual.seen(size_px)
    assert usual.median == 2.2


def test_air_that_turned_for_good_becomes_the_usual_one() -> None:
    """Half of the recent frames later: a night under worse air is not lost."""
    usual = Usual()
    for _ in range(20):
        usual = usual.seen(2.0)
    rejected = 0
    for _ in range(20):
        rejected += bool(quality_doubt(None, 0.1, 3.0, usual.median, POLICY))
        usual = usual.seen(3.0)
    assert rejected == 5


@pytest.mark.parametrize(
    ("rms_arcsec", "usual_arcsec", "tells"),
    [(0.9, 0.8, True), (1.5, 0.8, False), (3.5, None, True), (None, 0.8, True)],
)
def test_only_guiding_far_worse_than_usual_hides_the_focus(
    rms_arcsec: float | None, usual_arcsec: float | None, tells: bool
) -> None:
    assert guided_as_usual(rms_arcsec, usual_arcsec) is tells
