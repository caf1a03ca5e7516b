"""Guide stars that went over the edge of the frame ask for others in their place."""

import numpy as np
import pytest

from guiding.star_images import Star, moved, star_image
from nightloom.guiding import find_guide_stars, measure, too_few

FIELD: list[Star] = [
    (60.3, 50.7, 60_000),
    (150.6, 120.2, 25_000),
    (250.1, 80.4, 20_000),
    (90.8, 190.9, 18_000),
    (270.5, 200.5, 15_000),
]


@pytest.mark.parametrize(("drift_px", "held", "replaced"), [(0.3, 5, False), (200.0, 2, True)])
def test_others_are_asked_for_once_most_are_gone(
    drift_px: float, held: int, replaced: bool
) -> None:
    """A field that drifts by 200 px leaves two of five in the frame, as bright as they were."""
    rng = np.random.default_rng(1)
    stars = find_guide_stars(
        star_image(FIELD, rng=rng), saturation_adu=65_535, count_max=8, margin_px=16
    )
    drifted = star_image(moved(FIELD, drift_px, 0.0), rng=rng)
    seen = measure(drifted, stars, radius_px=14, near_px=(drift_px, 0.0))
    assert seen.held == held
    assert too_few(seen) is replaced
