"""Plate solving with a star catalogue at hand, for a frame whose place is nearly known.

Patterns of three stars are matched by astroalign (Beroiz, Cabral & Sanchez 2020, Astronomy and
Computing 32, 100384) against one window of the catalogue after another, from the hint
outwards; then a linear fit to every star that falls on a catalogue star gives a TAN projection.
"""

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Protocol

import astroalign
import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray
from scipy.spatial import KDTree

from nightloom.executor import Executor, InLine
from nightloom.frames import StarField, measure
from nightloom.frames.image import Image
from nightloom.solving.solver import Hint, NotSolved, Solution, tangent_plane

Array = NDArray[np.float64]

# Triangles of the brightest stars: enough that a star missing on one side spoils few of them, and
# few enough that all wrong pairings of a window are tried in a fraction of a second.
STARS_MATCHED = 20
WINDOW_STEP = 0.4  # of the frame's shorter side, so that some window holds most of the frame
REACH_DIAGONALS = 1.0  # farther out there are too many windows to try while the night waits
FITTED_STARS_MAX = 400
TOLERANCES_PX = (6.0, 3.0, 2.0, 2.0, 2.0)  # a first transform is good to some pixels at the corners
MATCHED_MIN = 5  # a line fitted to five pairs leaves four numbers that chance would have to hit
MATCHED_SHARE_MIN = 0.3  # of the frame's stars or of the catalogue's in it, whichever are fewer


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

    async def solve(self, frame: Image, stars: StarField | None, hint: Hint) -> Solution:
        """As Solver.solve says, of (rows, columns)."""
        if stars is None:
            stars = await self._compute(_measured, frame, self._saturation_adu)
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
    parities = (False, True) if hint.mirrored is None else (hint.mirrored,)
    planes = [_upright(hint, mirrored) for mirrored in parities]
    flats = [plane.wcs_world2pix(places, 0) for plane in planes]
    for centre in _windows(WINDOW_STEP * min(shape), hint):
        for plane, flat in zip(planes, flats, strict=True):
            window = _inside(flat, centre, shape)
            rough = _match(pixels, window, plane, shape, hint.scale_tolerance)
            if rough is None:
                continue
            wcs, matched = _refine(rough, pixels, shape, places)
            if matched >= _matched_min(wcs, pixels, shape, places):
                return Solution.of(wcs, shape, matched)
    raise NotSolved(hint, f"{len(pixels)} stars match none of {len(places)} in the catalogue")


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


def _windows(step_px: float, hint: Hint) -> Iterator[Array]:
    """Centres of windows, (2,) each, in pixels from the hint, nearest first."""
    reach = math.ceil(hint.radius_deg * 3600 / hint.scale_arcsec_per_px / step_px)
    grid = np.arange(-reach, reach + 1) * step_px
    centres = np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2)
    distances = np.hypot(centres[:, 0], centres[:, 1])
    order = np.argsort(distances, kind="stable")
    yield from centres[order][distances[order] <= reach * step_px]


def _inside(flat: Array, centre: Array, shape: tuple[int, int]) -> Array:
    """Of stars (n, 2) those, (m, 2), in the circle about a centre (2,) that holds a frame of (rows,
    columns) however it is turned.
    """
    radius = math.hypot(*shape) / 2
    return np.asarray(flat[((flat - centre) ** 2).sum(axis=1) < radius**2])


def _match(
    pixels: Array, window: Array, plane: WCS, shape: tuple[int, int], scale_tolerance: float
) -> WCS | None:
    """The plane turned and shifted so that the frame's brightest stars, (n, 2), lie on the
    window's, (m, 2), brightest first; None when they do not.
    """
    # As many to the square degree on both sides, or neighbours would form different triangles.
    share = math.pi / 4 * math.hypot(*shape) ** 2 / math.prod(shape)
    count = min(STARS_MATCHED, len(pixels), math.ceil(len(window) / share))
    window = window[: round(count * share)]
    try:
        transform, _ = astroalign.find_transform(pixels[:count], window, len(window))
    except (astroalign.MaxIterError, ValueError, TypeError):  # none; under three stars; no star
        return None
    if abs(transform.scale - 1) > scale_tolerance:
        return None
    # The tangent point stays where the plane has it: north is another way at another place.
    turn, shift = transform.params[:2, :2], transform.params[:2, 2]
    ra_deg, dec_deg = plane.wcs.crval
    return tangent_plane(ra_deg, dec_deg, -np.linalg.solve(turn, shift), plane.wcs.cd @ turn)


def _refine(wcs: WCS, pixels: Array, shape: tuple[int, int], places: Array) -> tuple[WCS, int]:
    """Fit scale, turn, shear and centre to every star, (n, 2) in px, that falls on a catalogue
    star, (m, 2) in degrees; and how many do.
    """
    middle = (np.array(shape[::-1]) - 1) / 2
    matched = 0
    for tolerance_px in TOLERANCES_PX:
        stars, catalogue = _pairs(wcs, pixels, places, tolerance_px)
        matched = len(stars)
        if matched < MATCHED_MIN:
            break
        # Rounded, so that the random order in which astroalign tries triangles leaves no trace.
        ra_deg, dec_deg = np.round(wcs.wcs_pix2world([middle], 0)[0], 6)
        degrees = tangent_plane(ra_deg, dec_deg, np.zeros(2), np.eye(2))
        terms = np.column_stack([np.ones(matched), stars - middle])
        fit, *_ = np.linalg.lstsq(terms, degrees.wcs_world2pix(catalogue, 0), rcond=None)
        matrix = fit[1:].T
        wcs = tangent_plane(ra_deg, dec_deg, middle - np.linalg.solve(matrix, fit[0]), matrix)
    return wcs, matched


def _pairs(wcs: WCS, pixels: Array, places: Array, tolerance_px: float) -> tuple[Array, Array]:
    """Stars and catalogue places, (k, 2) each, that are each other's nearest and near enough."""
    flat = wcs.wcs_world2pix(places, 0)
    stars = pixels[:FITTED_STARS_MAX]
    distances, nearest = KDTree(flat).query(stars)
    _, back = KDTree(stars).query(flat[nearest])
    good = (distances < tolerance_px) & (back == np.arange(len(stars)))
    return stars[good], places[nearest[good]]


def _matched_min(wcs: WCS, pixels: Array, shape: tuple[int, int], places: Array) -> float:
    """How many pairs chance does not make, of stars (n, 2) and places (m, 2)."""
    flat = wcs.wcs_world2pix(places, 0)
    expected = np.all((flat >= 0) & (flat < shape[::-1]), axis=1).sum()
    return float(max(MATCHED_MIN, MATCHED_SHARE_MIN * min(expected, len(pixels))))
