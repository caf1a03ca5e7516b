"""What nearly is a solution is none: a star short of five, or a scale just beyond what was said."""

import numpy as np
import pytest

from nightloom.solving import NotSolved
from nightloom.solving.catalogue_solver import solve_stars
from solving.test_star_lists import Sky

SPARSE = Sky(1.0, 8, shown=1.0)
"""So few stars that every one is every other's neighbour: as many as are there can be matched."""


def matched(common: int) -> int:
    """Stars matched in a frame that has so many of its true ones, and three others.

    Raises NotSolved.
    """
    stars, places = SPARSE.lists()
    others = np.random.default_rng(5).uniform(0, SPARSE.shape[::-1], (3, 2))
    frame = np.vstack([stars[:common], others])
    return solve_stars(frame, SPARSE.shape, SPARSE.hint(), places).matched_stars


def test_five_stars_on_their_places_are_a_solution_and_four_are_none() -> None:
    """Two pairs of stars fix a shift, a turn and a scale: every one more is evidence, and what is
    believed here has three.
    """
    assert matched(5) == 5
    with pytest.raises(NotSolved, match="at best"):
        matched(4)


@pytest.mark.parametrize("off", [0.945, 1.055])
def test_a_scale_just_beyond_the_tolerance_is_refused(off: float) -> None:
    """The hint's own tolerance is 5 %; half a percent more is refused, half a percent less not."""
    sky = Sky(1.0, 300)
    assert sky.hint().scale_tolerance == 0.05
    with pytest.raises(NotSolved):
        sky.off_px(sky.hint(scale=off))
    within = 0.955 if off < 1 else 1.045
    assert sky.off_px(sky.hint(scale=within)) < 0.5
