"""One look at a frame: the stars of some of its tiles, taken for stars of one width."""

from dataclasses import dataclass, replace

import numpy as np
import sep
from numpy.typing import NDArray
from scipy.spatial import KDTree

from nightloom.frames.background import Sky, take_sky_off
from nightloom.frames.image import Image
from nightloom.frames.sizes import core_fwhms_px, half_flux_radii_px
from nightloom.frames.sources import find
from nightloom.frames.tiles import ZONES, Tile, spread, zone_of
from nightloom.frames.trails import trails

# Pixel x (along a row) and y (across rows) count from 0 at the middle of the first pixel.
STAR = np.dtype(
    [
        ("x", "f8"),
        ("y", "f8"),
        ("flux_adu", "f8"),
        ("snr", "f8"),  # that flux over the sky's noise in the aperture
        ("peak_adu", "f8"),  # above the background
        ("half_flux_radius_px", "f8"),  # NaN where it was not measured
        ("fwhm_px", "f8"),  # NaN where it was not, or the core has no single peak
        ("ellipticity", "f8"),  # 1 − b/a
        ("long_axis_deg", "f8"),  # from the x axis towards the y axis, −90 to 90
        ("saturated", "?"),
        ("cut", "?"),  # its aperture reaches over the edge of what was looked at
        ("crowded", "?"),  # other light than its own is in its aperture
    ]
)

# Apertures in units of the star's rms semi-axis: a Gaussian's whole flux, with room for the wings
# of a Moffat profile; a disk ends at 2, and wide ones soon touch their neighbours.
SHARP_APERTURE, WIDE_APERTURE = 6.0, 3.7
TYPICAL_STARS = 50  # the brightest, which say how wide a star is and set one aperture for all
SIZED_A_ZONE_MAX = 100  # more stars' sizes cost time and move the median by less than 0.5 %
CROWDING_SHARE = 0.05  # a neighbour with less of the star's flux hardly widens it

GROWTH_RADII, GROWTH_MAX, SLACK_SIGMAS = 1.5, 0.25, 3.0
"""A circle 1.5 times as wide holds hardly more of a star, 1.5 times as much of a line, and twice as
much of a piece of something wider."""
AGREEMENT = 0.2  # the stars of a frame are of one size, lumps in a nebula are not


@dataclass(frozen=True, eq=False)
class Look:
    """Stars seen, brightest first, in pixels of the frame before it was halved.

    `fraction` is the share of the frame that was looked at. Of the brightest `tried` stars `whole`
    are held by their aperture, and `agreeing` of those are about as large as most.
    """

    sky: Sky
    binning: int
    fraction: float
    stars: NDArray[np.void]
    tried: int
    whole: int
    agreeing: int


@dataclass(frozen=True, eq=False)
class _Seen:
    """A tile without its sky, and what was found in it."""

    tile: Tile
    pixels: NDArray[np.float32]
    sky: Sky
    sources: NDArray[np.void]


def look(
    data: Image,
    *,
    saturation_adu: float,
    threshold_sigmas: float,
    pixels_max: int | None,
    binning: int = 1,
) -> Look:
    """Look at (rows, columns) of a frame that was halved to squares of `binning` pixels, none NaN.

    Raises FrameNotMeasured.
    """
    tiles = spread(data.shape, pixels_max)
    seen = [_see(data, tile, threshold_sigmas, wide=binning > 1) for tile in tiles]
    width_px = _width_px([one.sources for one in seen])
    seen = _without_trails(seen, width_px)
    aperture_px = (SHARP_APERTURE if binning == 1 else WIDE_APERTURE) * width_px
    parts = [_describe(data, one, aperture_px, saturation_adu) for one in seen]
    stars = np.concatenate(parts)
    stars["crowded"] = crowded(stars, aperture_px)
    _size(stars, seen, np.cumsum([0, *map(len, parts)]), data.shape, width_px, aperture_px)
    order = np.argsort(-stars["flux_adu"], kind="stable")
    stars = stars[order]
    tried, whole, agreeing = _convincing(stars)
    return Look(
        sky=Sky(
            float(np.median([one.sky.level_adu for one in seen])),
            float(np.median([one.sky.noise_adu for one in seen])),
        ),
        binning=binning,
        fraction=sum(tile.pixels for tile in tiles) / data.size,
        stars=_unbinned(stars, binning),
        tried=tried,
        whole=whole,
        agreeing=agreeing,
    )


def _see(
    data: Image,
    tile: Tile,
    threshold_sigmas: float,
    *,
    wide: bool,
) -> _Seen:
    """A tile of (rows, columns), its sky taken off, and the sources that are whole in it."""
    pixels = np.array(tile.of(data), dtype=np.float32, order="C")
    sky = take_sky_off(pixels)
    sources = find(pixels, threshold_sigmas * sky.noise_adu, wide=wide)
    return _Seen(tile, pixels, sky, sources[_inside(sources, tile, data.shape)])


def _inside(sources: NDArray[np.void], tile: Tile, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Which sources, (n,), are not the wing of a star beyond the tile's edge, in a frame of
    `shape`.
    """
    row, column = tile.top + sources["ypeak"], tile.left + sources["xpeak"]
    return np.asarray(
        ((row > tile.top) | (tile.top == 0))
        & ((row < tile.bottom - 1) | (tile.bottom == shape[0]))
        & ((column > tile.left) | (tile.left == 0))
        & ((column < tile.right - 1) | (tile.right == shape[1]))
    )


def _brightest(sources: NDArray[np.void]) -> NDArray[np.void]:
    """The brightest of sources, (n,), brightest first, `TYPICAL_STARS` at most."""
    return sources[np.argsort(-sources["flux"], kind="stable")[:TYPICAL_STARS]]


def _width_px(sources: list[NDArray[np.void]]) -> float:
    """The rms semi-axis of most bright stars; one for all, so that faint stars, seen above the
    noise only at the core, are not measured smaller than bright ones. 1 where no tile has a source.
    """
    bright = _brightest(np.concatenate(sources))
    return float(np.median(bright["a"])) if len(bright) else 1.0


def _describe(
    data: Image,
    seen: _Seen,
    aperture_px: float,
    saturation_adu: float,
) -> NDArray[np.void]:
    """The tile's n sources as stars, (n,) of dtype STAR, in pixels of the frame; no size yet."""
    sources = seen.sources
    x, y = sources["x"], sources["y"]
    stars = np.zeros(len(sources), STAR)
    stars["x"], stars["y"] = seen.tile.left + x, seen.tile.top + y
    if len(sources):
        stars["flux_adu"] = sep.sum_circle(seen.pixels, x, y, aperture_px)[0]
    stars["snr"] = stars["flux_adu"] / (seen.sky.noise_adu * aperture_px * np.pi**0.5)
    stars["peak_adu"] = sources["peak"]
    stars["ellipticity"] = 1 - sources["b"] / sources["a"]
    stars["long_axis_deg"] = np.degrees(sources["theta"])
    peaks = seen.tile.of(data)[sources["ypeak"], sources["xpeak"]]
    stars["saturated"] = peaks >= saturation_adu
    rows, columns = seen.pixels.shape
    room_px = np.minimum.reduce([x, y, columns - 1 - x, rows - 1 - y])
    stars["cut"] = room_px < aperture_px
    return stars


def _without_trails(seen: list[_Seen], width_px: float) -> list[_Seen]:
    """The same without what is no star: what belongs together may lie in several tiles."""
    sources = np.concatenate([one.sources for one in seen])
    if not len(sources):
        return seen
    bright = _brightest(sources)
    x = np.concatenate([one.tile.left + one.sources["x"] for one in seen])
    y = np.concatenate([one.tile.top + one.sources["y"] for one in seen])
    usual_ratio = float(np.median(bright["a"] / bright["b"]))
    stars = ~trails(x, y, sources["a"], sources["b"], width_px, usual_ratio)
    parts = np.split(stars, np.cumsum([len(one.sources) for one in seen])[:-1])
    return [replace(one, sources=one.sources[part]) for one, part in zip(seen, parts, strict=True)]


def crowded(stars: NDArray[np.void], aperture_px: float) -> NDArray[np.bool_]:
    """Which of n stars have a neighbour within their aperture that is not too faint to matter:
    (n,).
    """
    near = np.zeros(len(stars), bool)
    if len(stars) < 2:
        return near
    tree = KDTree(np.column_stack([stars["x"], stars["y"]]))
    one, other = tree.query_pairs(aperture_px, output_type="ndarray").T
    flux = stars["flux_adu"]
    near[one[flux[other] > CROWDING_SHARE * flux[one]]] = True
    near[other[flux[one] > CROWDING_SHARE * flux[other]]] = True
    return near


def _size(
    stars: NDArray[np.void],
    seen: list[_Seen],
    bounds: NDArray[np.intp],
    shape: tuple[int, ...],
    width_px: float,
    aperture_px: float,
) -> None:
    """Fill in the sizes of the brightest well-exposed stars of each zone; those of others are NaN.

    `stars`, (n,), are those of each tile of `seen` in turn, between one of `bounds`, (tiles + 1,),
    and the next. Those that their aperture does not hold are marked crowded.
    """
    held = np.zeros(len(stars), bool)
    stars["half_flux_radius_px"] = stars["fwhm_px"] = np.nan
    sized = chosen(stars, (shape[0], shape[1]))
    half_width_px = 2 * round(width_px) + 2
    for one, first, last in zip(seen, bounds[:-1], bounds[1:], strict=True):
        here = first + np.flatnonzero(sized[first:last])
        if not len(here):
            continue
        x, y = stars["x"][here] - one.tile.left, stars["y"][here] - one.tile.top
        radii_px = half_flux_radii_px(one.pixels, x, y, aperture_px)
        stars["half_flux_radius_px"][here] = radii_px
        stars["fwhm_px"][here] = core_fwhms_px(
            one.pixels, x, y, stars["peak_adu"][here], half_width_px
        )
        wider_adu, _, _ = sep.sum_circle(one.pixels, x, y, GROWTH_RADII * aperture_px)
        flux_adu = stars["flux_adu"][here]
        ring_px = np.pi * aperture_px**2 * (GROWTH_RADII**2 - 1)
        slack_adu = SLACK_SIGMAS * one.sky.noise_adu * np.sqrt(ring_px)
        held[here] = wider_adu - flux_adu < GROWTH_MAX * flux_adu + slack_adu
    stars["crowded"] |= sized & ~held


def chosen(stars: NDArray[np.void], shape: tuple[int, int]) -> NDArray[np.bool_]:
    """The stars to be sized, (n,) of n: the brightest good ones of each zone, others where there
    are none.
    """
    best = np.zeros(len(stars), bool)
    zones = zone_of(shape, stars["x"], stars["y"])
    worth = np.where(stars["crowded"], 1, 2) * ~(stars["saturated"] | stars["cut"])
    for zone in range(ZONES**2):
        here = np.flatnonzero((zones == zone) & (worth > 0))
        best_first = np.lexsort((-stars["flux_adu"][here], -worth[here]))
        best[here[best_first[:SIZED_A_ZONE_MAX]]] = True
    return best


def _convincing(stars: NDArray[np.void]) -> tuple[int, int, int]:
    """How many of the brightest sized stars were tried, are whole, and agree in size; of `stars`,
    (n,), those whose size is NaN are not tried.
    """
    tried = stars[np.isfinite(stars["half_flux_radius_px"])][:TYPICAL_STARS]
    radii_px = tried["half_flux_radius_px"][~tried["crowded"] & (tried["flux_adu"] > 0)]
    if not len(radii_px):
        return len(tried), 0, 0
    off = np.abs(radii_px / np.median(radii_px) - 1)
    return len(tried), len(radii_px), int(np.sum(off < AGREEMENT))


def _unbinned(stars: NDArray[np.void], binning: int) -> NDArray[np.void]:
    """The same n stars in pixels and light of the frame before it was halved; NaN stays NaN."""
    for place in ("x", "y"):
        stars[place] = (stars[place] + 0.5) * binning - 0.5
    for size in ("half_flux_radius_px", "fwhm_px"):
        stars[size] *= binning
    stars["flux_adu"] *= binning**2
    return stars


HALVED_SIDE_PX_MIN = 24  # a frame smaller than this has no room for a star and its background


def halved(
    data: Image,
) -> Image:
    """The mean of the middle two of each square of four pixels; an odd last row or column is lost.

    Of (rows, columns) it returns (rows // 2, columns // 2), NaN where a square has one.
    A mean of all four would hand a hot pixel on as a small star.
    """
    rows, columns = (size // 2 * 2 for size in data.shape)
    first, second, third, fourth = (
        data[row:rows:2, column:columns:2] for row in (0, 1) for column in (0, 1)
    )
    low = np.maximum(np.minimum(first, second), np.minimum(third, fourth))
    high = np.minimum(np.maximum(first, second), np.maximum(third, fourth))
    return np.asarray((low.astype(np.float32) + high) * np.float32(0.5))
