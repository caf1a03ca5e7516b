"""The first curve of a night, refused for its scatter: the best guess beats where it began."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from focusing.star_frames import Bench
from focusing.test_focus_runs import QUARTER_STEPS, StandIn, focused, one_curve
from nightloom.focusing import Curve, Point, Refusal, measured_both_sides
from nightloom.focusing.runs import Focusing
from nightloom.telemetry import events as e

START_STEPS, BEST_STEPS = 12_300, 10_000
JUMPS = 0.35
"""Of the seeing from one exposure of 4 s to the next, as a logarithm; a longer one evens it out."""


@dataclass
class Jumpy(Bench):
    """A bench under air that jumps from one short exposure to the next."""

    def frame(self, position_steps: float, light: float = 1.0) -> NDArray[np.uint16]:
        held = self._air
        self._air += JUMPS / np.sqrt(light) * self.rng.standard_normal()
        image = super().frame(position_steps, light)
        self._air = held
        return image


def jumpy(seed: int) -> StandIn:
    rig = StandIn(Jumpy(np.random.default_rng(seed), best_steps=BEST_STEPS))
    rig.position_steps = rig.drawtube_steps = START_STEPS
    return rig


async def until_one_is_good(focusing: Focusing) -> list[Curve]:
    curves: list[Curve] = []
    while not focusing.proven and len(curves) < 5:
        curves.append(await focusing.curve("L", "a test"))
    return curves


@pytest.mark.parametrize("seed", [0, 11, 17])
def test_a_first_curve_that_scatters_leaves_the_focuser_at_its_best_guess(
    tmp_path: Path, seed: int
) -> None:
    """Not 2,300 steps away, where it began; and it is said that no curve was good."""
    rig = jumpy(seed)
    told = focused(tmp_path, rig, one_curve)
    assert told.curves[0].refusal is Refusal.POOR_FIT
    assert rig.position_steps == pytest.approx(BEST_STEPS, abs=QUARTER_STEPS)
    assert not told.focusing.proven
    (guess,) = (event for event in told.events if isinstance(event, e.FocusGuessed))
    assert guess.position_steps == pytest.approx(rig.position_steps, abs=1.0)
    assert guess.exposure_s == 2 * max(told.entries[-1].exposures_s)


def test_the_next_curves_expose_longer_until_one_is_good(tmp_path: Path) -> None:
    rig = jumpy(11)
    told = focused(tmp_path, rig, until_one_is_good)
    refusals = [curve.refusal for curve in told.curves]
    assert (refusals[0], refusals[-1]) == (Refusal.POOR_FIT, None)
    exposures_s = [max(entry.exposures_s) for entry in told.entries]
    assert exposures_s[-1] >= 2 * exposures_s[0]
    assert rig.position_steps == pytest.approx(BEST_STEPS, abs=QUARTER_STEPS)


@pytest.mark.parametrize(
    ("refusal", "first_steps", "held"),
    [
        (Refusal.POOR_FIT, -160, True),
        (Refusal.POOR_FIT, -40, False),
        (Refusal.POOR_FIT, -280, False),
        (Refusal.VERTEX_OUTSIDE, -160, False),
        (Refusal.LOPSIDED, -160, False),
    ],
)
def test_a_best_guess_was_measured_on_both_sides(
    refusal: Refusal, first_steps: int, held: bool
) -> None:
    """Nine points 40 steps apart, of stars that grow by 0.02 px a step; the last ones, or the
    first, lie within 40 steps of the vertex where only one side was measured.
    """
    points = [
        Point(at, 2.0 + 0.02 * abs(at), 50) for at in range(first_steps, first_steps + 360, 40)
    ]
    curve = Curve(0.0, 10.0, 2.0, 0.02, 0.12, refusal)
    assert measured_both_sides(curve, points, 10) is held
