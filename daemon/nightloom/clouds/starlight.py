"""The light of a frame's stars against that of the same stars in another frame.

Stars are brought together by their pattern: two frames of a target differ by a dither, a new
centring, and half a turn when the mount has changed sides of its pier. The median of the flux
ratios is what the sky let through, whatever its own glow.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

Floats = NDArray[np.float64]

VOTERS = 50
"""So many of the brightest stars of each frame vote for the shift between the two."""

NEAR_PX, SAME_PX = 4.0, 2.0
"""A pair so near is of one star: while the shift is looked for, and once the turn is known too."""

SURE_VOTES = VOTERS // 2
"""Half of the brightest in place leave too few for any other turn."""

SAME_MIN = 6
"""Of fifty by fifty pairs chance brings three or four stars of a field into place."""

MAGNITUDE_PER_LN = 2.5 / np.log(10.0)


@dataclass(frozen=True, eq=False)
class StarLight:
    """The light of whole stars, brightest first: places in px from the middle of the frame, and
    ADU a second, each (n,). `turn_deg` is how the camera stood on the sky, None when not known.
    """

    x_px: Floats
    y_px: Floats
    adu_per_s: Floats
    turn_deg: float | None = None

    def __len__(self) -> int:
        return len(self.x_px)


class _Turn(NamedTuple):
    """A turn, the stars that agree on one shift after it, and that shift (2,)."""

    deg: float
    votes: int
    shift_px: Floats


@dataclass(frozen=True)
class LightRatio:
    """A frame's light in parts of another's: the median over `stars`, and its standard error."""

    ratio: float
    error: float
    stars: int


def light_ratio(seen: StarLight, reference: StarLight) -> LightRatio | None:
    """What stars of `reference` shine with in `seen`; None when their pattern is not found there.

    The error is that of a median of normal scatter, √(π/2) σ/√n, with σ from the quartiles.
    """
    pairs = _pairs(seen, reference)
    if pairs is None:
        return None
    ratios = seen.adu_per_s[pairs[0]] / reference.adu_per_s[pairs[1]]
    low, middle, high = np.quantile(ratios, (0.25, 0.5, 0.75))
    scatter = (high - low) / 1.349
    return LightRatio(float(middle), float(np.sqrt(np.pi / 2 / len(ratios)) * scatter), len(ratios))


def extinction_mag(transparency: float) -> float:
    """The extinction, in magnitudes, that lets so much light through (Pogson's scale)."""
    return float(-MAGNITUDE_PER_LN * np.log(max(transparency, 1e-3)))


def transparency_at(mag: float) -> float:
    """The part of the light that an extinction of so many magnitudes lets through."""
    return float(10.0 ** (-0.4 * mag))


def _pairs(
    seen: StarLight, reference: StarLight
) -> tuple[NDArray[np.intp], NDArray[np.intp]] | None:
    """The same stars in both, as two arrays of indices (n,)."""
    if min(len(seen), len(reference)) < SAME_MIN:
        return None
    here, there = _places(seen), _places(reference)
    voted: list[_Turn] = []
    for turn_deg in _turns_deg(seen, reference):
        voted.append(_Turn(turn_deg, *_shift(here, _turned(there, turn_deg))))
        if voted[-1].votes >= SURE_VOTES:
            break
    best = max(voted, key=lambda turn: turn.votes)
    if best.votes < SAME_MIN:
        return None
    moved = _turned(there, best.deg) + best.shift_px
    near, which = _nearest(here, moved, NEAR_PX)
    if len(near) < SAME_MIN:
        return None
    # turn, scale and shift at once: by least squares over the pairs
    known = np.column_stack([there[which], np.ones(len(which))])
    fitted, *_ = np.linalg.lstsq(known, here[near], rcond=None)
    near, which = _nearest(here, np.column_stack([there, np.ones(len(there))]) @ fitted, SAME_PX)
    return (near, which) if len(near) >= SAME_MIN else None


def _turns_deg(seen: StarLight, reference: StarLight) -> list[float]:
    """How the one may be turned against the other: not, by half a turn, or as it was solved."""
    if seen.turn_deg is None or reference.turn_deg is None:
        return [0.0, 180.0]
    turned_deg = seen.turn_deg - reference.turn_deg
    return [0.0, 180.0, turned_deg, -turned_deg]


def _places(light: StarLight) -> Floats:
    return np.column_stack([light.x_px, light.y_px])


def _turned(places: Floats, turn_deg: float) -> Floats:
    cosine, sine = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turned: Floats = places @ np.array([[cosine, sine], [-sine, cosine]])
    return turned


def _shift(here: Floats, there: Floats) -> tuple[int, Floats]:
    """The shift that most pairs of the brightest stars agree on, and how many do."""
    shifts = (here[:VOTERS, None] - there[None, :VOTERS]).reshape(-1, 2)
    tree = KDTree(shifts)
    votes = tree.query_ball_point(shifts, NEAR_PX, return_length=True)
    best = int(np.argmax(votes))
    agreeing = tree.query_ball_point(shifts[best], NEAR_PX)
    return int(votes[best]), np.median(shifts[agreeing], axis=0)


def _nearest(
    here: Floats, there: Floats, within_px: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs that are each other's nearest."""
    away, which = KDTree(there).query(here, distance_upper_bound=within_px)
    _, back = KDTree(here).query(there, distance_upper_bound=within_px)
    near = np.flatnonzero(np.isfinite(away))
    near = near[back[which[near]] == near]
    return near, which[near]
