"""Plate solving with a star catalogue at hand, for a frame whose place is nearly known.

Triangles among the brightest stars of the frame, spread over it, are paired with triangles among
as dense a choice of the catalogue's (triangles.py). What most of the frame's stars agree with is
fitted to every star that falls on a catalogue star, and gives a TAN projection. Whether that is the
frame's place is told by its odds against chance (Lang et al. 2010, AJ 139, 1782, section 2.3).
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Protocol

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray
from scipy.spatial import KDTree

from nightloom.executor import Executor, InLine
from nightloom.frames import StarField, measure
from nightloom.frames.image import Frame, Image, picture
from nightloom.solving.solver import Hint, NotSolved, Solution, tangent_plane
from nightloom.solving.triangles import Similarity, pairings

Array = NDArray[np.float64]

STARS_MATCHED = 100
"""Stars of a frame among which triangles are made, the brightest of each part of it."""

PARTS = 5
"""Parts of the frame's longer side."""

LEFT_OUT = (0, 4, 15, 60, 250, 1000)
"""Brightest stars to a frame's area that the catalogue may have and the frame has not: they are
saturated there. One after another until a place is found.
"""

DEEPER = 1.5
"""Of a frame so many times as many stars are looked at as the catalogue has to its area, the
brightest: neighbours in a frame that shows far more stars are none in the catalogue.
"""

REACH_DIAGONALS = 1.0
"""Of the hint's radius no more frames' diagonals are searched."""

ROUGHLY = 0.004
"""Of the frame's diagonal: how well a triangle of neighbours says where the corners are."""

TRIED_FIRST, TRIED, TRIED_WHOLE = 12, 60, 5
"""Stars that every pairing is tried with; those that the best pairings are; how many are fitted."""

FITTED_STARS_MAX = 400
TOLERANCES_PX = (6.0, 3.0, 2.0, 2.0)
MATCHED_MIN = 5
"""A line fitted to five pairs leaves four numbers that chance would have to hit."""

TRUE_SHARE = 0.5
"""Of a frame's stars, those that a true place puts on catalogue stars, at least: others are
blended, moved, or of another colour than the catalogue's.
"""

LOG_ODDS_MIN = math.log(1e9)
"""Odds against chance from which on a place is believed (Lang et al. 2010, section 3)."""


class Reference(Protocol):
    """Catalogue stars, brightest first; degrees, (n,), none NaN."""

    @property
    def ra_deg(self) -> Array: ...

    @property
    def dec_deg(self) -> Array: ...


class StarSource(Protocol):
    """Any star catalogue that can be asked for a cone."""

    def cone(
        self, ra_deg: float, dec_deg: float, radius_deg: float, limit_mag: float | None = None
    ) -> Reference:
        """The stars within `radius_deg` of a place, brightest first."""
        ...


class CatalogueSolver:
    """Solves from a catalogue; the arithmetic is done where `compute` does it.

    `limit_mag` leaves out catalogue stars that no frame shows. Of the hint's radius no more is
    searched than REACH_DIAGONALS frames' diagonals.
    """

    def __init__(
        self,
        catalogue: StarSource,
        compute: Executor | None = None,
        *,
        limit_mag: float | None = None,
        saturation_adu: float = 65535.0,
    ) -> None:
        self._catalogue, self._compute = catalogue, compute or InLine()
        self._limit_mag, self._saturation_adu = limit_mag, saturation_adu

    async def solve(self, frame: Image | Frame, stars: StarField | None, hint: Hint) -> Solution:
        """As Solver.solve says, of (rows, columns)."""
        if stars is None:
            stars = await self._compute(_measured, picture(frame), self._saturation_adu)
        diagonal_deg = math.hypot(*frame.shape) * hint.scale_arcsec_per_px / 3600
        hint = replace(hint, radius_deg=min(hint.radius_deg, REACH_DIAGONALS * diagonal_deg))
        reach_deg = hint.radius_deg + diagonal_deg / 2
        near = self._catalogue.cone(hint.ra_deg, hint.dec_deg, reach_deg, self._limit_mag)
        places = np.column_stack([near.ra_deg, near.dec_deg])
        return await self._compute(solve_stars, _pixels(stars), frame.shape, hint, places)


def solve_stars(pixels: Array, shape: tuple[int, int], hint: Hint, places: Array) -> Solution:
    """Find where a frame of (rows, columns) points.

    `pixels` are its stars' 0-based (x, y) and `places` the catalogue's (RA, Dec) in degrees around
    the hint, both brightest first, n × 2. Raises NotSolved.
    """
    if min(len(pixels), len(places)) < MATCHED_MIN:
        raise NotSolved(hint, f"{len(pixels)} stars in the frame, {len(places)} in the catalogue")
    best = 0
    for stars, few, plane in _tries(pixels, shape, hint, places):
        flat = plane.wcs_world2pix(few, 0)
        for rough in _rough(stars, flat, plane, shape, hint.scale_tolerance):
            wcs = _refine(rough, stars, shape, few, (ROUGHLY * math.hypot(*shape), 6.0))
            near = _around(wcs, shape, places)
            wcs = _refine(wcs, pixels, shape, near, TOLERANCES_PX)
            matched, odds = _against_chance(wcs, pixels, shape, near)
            if matched >= MATCHED_MIN and odds >= LOG_ODDS_MIN:
                return Solution.of(wcs, shape, matched)
            best = max(best, matched)
    raise NotSolved(
        hint,
        f"{len(pixels)} stars match none of {len(places)} in the catalogue;"
        f" at best {best} of them would lie on one",
    )


def _tries(
    pixels: Array, shape: tuple[int, int], hint: Hint, places: Array
) -> Iterator[tuple[Array, Array, WCS]]:
    """Choices of the frame's stars, (n, 2), and of the catalogue's places, (m, 2), among which
    triangles are made, with the plane for these; the likeliest to agree first.
    """
    parities = (False, True) if hint.mirrored is None else (hint.mirrored,)
    planes = [_upright(hint, mirrored) for mirrored in parities]
    flats = [plane.wcs_world2pix(places, 0) for plane in planes]
    frames = np.ptp(flats[0], axis=0).prod() / math.prod(shape)
    part_px = max(shape) / PARTS
    parts = math.prod(math.ceil(side / part_px) for side in shape)
    each = math.ceil(STARS_MATCHED / parts)
    bright = pixels[: max(MATCHED_MIN, math.ceil(DEEPER * len(places) / frames))]
    stars = bright[_spread(bright, part_px, each)]
    for left_out in LEFT_OUT:
        brightest = round(left_out * frames)
        if brightest and len(places) - brightest < MATCHED_MIN:
            break
        for plane, flat in zip(planes, flats, strict=True):
            few = brightest + _spread(flat[brightest:], part_px, each)
            yield stars, places[few], plane


def _measured(frame: Image, saturation_adu: float) -> StarField:
    """All stars of a frame (rows, columns)."""
    return measure(frame, saturation_adu=saturation_adu, sample_px=None)


def _pixels(field: StarField) -> Array:
    """0-based (x, y) of n stars: (n, 2)."""
    return np.column_stack([field.stars["x"], field.stars["y"]])


def _upright(hint: Hint, mirrored: bool) -> WCS:
    """A plane with north along y, at the hint's scale, its pixel (0, 0) on the hint."""
    step_deg = hint.scale_arcsec_per_px / 3600
    east = step_deg if mirrored else -step_deg
    return tangent_plane(hint.ra_deg, hint.dec_deg, np.zeros(2), np.diag([east, step_deg]))


def _spread(stars: Array, part_px: float, each: int) -> NDArray[np.int64]:
    """Indices of the first `each` stars, of (n, 2) brightest first, in each square part."""
    part = np.floor(stars / part_px).astype(np.int64)
    part -= part.min(axis=0)
    number = part[:, 0] * (part[:, 1].max() + 1) + part[:, 1]
    order = np.argsort(number, kind="stable")
    _, starts, counts = np.unique(number[order], return_index=True, return_counts=True)
    rank = np.arange(len(stars)) - np.repeat(starts, counts)
    return np.sort(order[rank < each])


def _rough(
    stars: Array, few: Array, plane: WCS, shape: tuple[int, int], scale_tolerance: float
) -> Iterator[WCS]:
    """The plane turned and shifted so that most of the frame's stars, (n, 2), lie on the chosen
    catalogue stars, (m, 2) on the plane: what the most agree with first.
    """
    every = pairings(stars, few, scale_tolerance)
    near_px, tree = ROUGHLY * math.hypot(*shape), KDTree(few)
    likely = every.of(np.argsort(-_hits(every, stars[:TRIED_FIRST], tree, near_px))[:TRIED])
    hits = _hits(likely, stars[:TRIED], tree, near_px)
    best = [number for number in np.argsort(-hits)[:TRIED_WHOLE] if hits[number] >= MATCHED_MIN]
    for factor, shift in zip(likely.factor[best], likely.shift[best], strict=True):
        # The tangent point stays where the plane has it: north is another way at another place.
        turn = np.array([[factor.real, -factor.imag], [factor.imag, factor.real]])
        back = -np.linalg.solve(turn, [shift.real, shift.imag])
        ra_deg, dec_deg = plane.wcs.crval
        yield tangent_plane(ra_deg, dec_deg, back, plane.wcs.cd @ turn)


def _hits(every: Similarity, stars: Array, tree: KDTree, near_px: float) -> NDArray[np.int64]:
    """How many of the stars, (k, 2), each of n pairings puts near a star of the tree: (n,)."""
    put = every.factor[:, None] * (stars[:, 0] + 1j * stars[:, 1]) + every.shift[:, None]
    away, _ = tree.query(np.stack([put.real, put.imag], axis=-1), distance_upper_bound=near_px)
    return np.asarray(np.isfinite(away).sum(axis=1))


def _refine(
    wcs: WCS, pixels: Array, shape: tuple[int, int], places: Array, tolerances_px: Iterable[float]
) -> WCS:
    """Fit scale, turn, shear and centre to every star, (n, 2) in px, that falls on a catalogue
    star, (m, 2) in degrees, closer and closer.
    """
    middle = (np.array(shape[::-1]) - 1) / 2
    for tolerance_px in tolerances_px:
        stars, catalogue = _pairs(wcs, pixels, places, tolerance_px)
        if len(stars) < MATCHED_MIN:
            break
        ra_deg, dec_deg = wcs.wcs_pix2world([middle], 0)[0]
        degrees = tangent_plane(ra_deg, dec_deg, np.zeros(2), np.eye(2))
        terms = np.column_stack([np.ones(len(stars)), stars - middle])
        fit, *_ = np.linalg.lstsq(terms, degrees.wcs_world2pix(catalogue, 0), rcond=None)
        matrix = fit[1:].T
        wcs = tangent_plane(ra_deg, dec_deg, middle - np.linalg.solve(matrix, fit[0]), matrix)
    return wcs


def _pairs(wcs: WCS, pixels: Array, places: Array, tolerance_px: float) -> tuple[Array, Array]:
    """Stars and catalogue places, (k, 2) each, that are each other's nearest and near enough."""
    if not len(places):
        return np.zeros((0, 2)), np.zeros((0, 2))
    flat = wcs.wcs_world2pix(places, 0)
    stars = pixels[:FITTED_STARS_MAX]
    distances, nearest = KDTree(flat).query(stars)
    _, back = KDTree(stars).query(flat[nearest])
    good = (distances < tolerance_px) & (back == np.arange(len(stars)))
    return stars[good], places[nearest[good]]


def _around(wcs: WCS, shape: tuple[int, int], places: Array) -> Array:
    """Of places (n, 2) in degrees, those in the circle about a frame of (rows, columns): (m, 2)."""
    solution = Solution.of(wcs, shape, 0)
    radius_deg = 0.51 * math.hypot(*shape) * solution.scale_arcsec_per_px / 3600
    middle = _unit(np.array([[solution.ra_deg, solution.dec_deg]]))[0]
    return np.asarray(places[_unit(places) @ middle > math.cos(math.radians(radius_deg))])


def _against_chance(
    wcs: WCS, pixels: Array, shape: tuple[int, int], places: Array
) -> tuple[int, float]:
    """Of stars (n, 2), how many lie on one of the places (m, 2); and the natural logarithm of the
    odds that this is the frame's place.
    """
    flat = wcs.wcs_world2pix(places, 0)
    expected = int(np.all((flat >= 0) & (flat < shape[::-1]), axis=1).sum())
    tolerance_px = TOLERANCES_PX[-1]
    tested = pixels[: min(FITTED_STARS_MAX, 2 * expected)]
    if not len(tested):
        return 0, -math.inf
    matched = len(_pairs(wcs, tested, places, tolerance_px)[0])
    by_chance = -math.expm1(-math.pi * tolerance_px**2 * expected / math.prod(shape))
    missed = len(tested) - matched
    odds = matched * math.log(TRUE_SHARE / by_chance)
    return matched, odds + missed * math.log((1 - TRUE_SHARE) / (1 - by_chance))


def _unit(places: Array) -> Array:
    """Unit vectors, (n, 3), of places (n, 2) in degrees."""
    longitude, latitude = np.radians(places).T
    across = np.cos(latitude)
    return np.column_stack(
        [across * np.cos(longitude), across * np.sin(longitude), np.sin(latitude)]
    )
