"""What a frame shows: background, noise and stars, measured with SEP.

The half-flux radius here is the radius of the circle that holds half of a star's flux within the
measuring aperture (Gaussian: 1.1774 σ, half of its FWHM); the flux-weighted mean radius that also
goes by that name is 6 % larger for a Gaussian. The width of a pixel is part of every size: it adds
11 % to the half-flux radius at 2 px FWHM and 1.5 % at 5 px.
Source: Barbary 2016, JOSS 1(6), 58 (SEP); Bertin & Arnouts 1996, A&AS 117, 393 (the method).

A large frame is looked at in tiles spread over it. Stars far out of focus are disks or rings, of
which single pixels show only pieces: then the frame is halved until they are stars again.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from nightloom.frames.background import Sky
from nightloom.frames.image import Image
from nightloom.frames.look import HALVED_SIDE_PX_MIN, STAR, TYPICAL_STARS, Look, halved, look
from nightloom.frames.sources import FrameNotMeasured
from nightloom.frames.tiles import ZONES, zone_of

__all__ = ["SAMPLE_PX", "STAR", "ZONE", "FrameNotMeasured", "StarField", "measure"]

ZONE = np.dtype(
    [
        ("sized", "i8"),  # stars that the medians are of
        ("half_flux_radius_px", "f8"),
        ("fwhm_px", "f8"),
        ("ellipticity", "f8"),
        ("long_axis_deg", "f8"),
    ]
)

SAMPLE_PX = 16_000_000  # frames up to this size are looked at whole
BINNING_MAX = 16
# Half-flux radii, in pixels of a look, that it measures well: sharp stars, and wide ones.
SHARP_PX, WIDE_PX = (0.0, 5.0), (2.0, 8.0)
ENOUGH = 10  # whole stars that leave no doubt about their width
SNR_MIN = 10.0  # a star's half-flux radius is uncertain by about 1 / snr
AGREEING_MIN = 2  # of one size, for stars that only a halved frame shows
ALIGNED_MIN = 5.0  # Rayleigh's n R²: of directions at random, 7 in 1000 pass (e^−5)


def _no_zones() -> NDArray[np.void]:
    """Zones without a star, (3, 3), all of their medians NaN."""
    zones = np.zeros((ZONES, ZONES), ZONE)
    for name in ("half_flux_radius_px", "fwhm_px", "ellipticity", "long_axis_deg"):
        zones[name] = np.nan
    return zones


@dataclass(frozen=True, eq=False)
class StarField:
    """A frame's stars, brightest first (dtype STAR), and medians over the well-exposed ones.

    The medians are of unsaturated stars, not cut nor crowded, with a signal-to-noise ratio of 10;
    where there are not ten of those, of fainter, or else of crowded ones; NaN without any.
    `long_axis_deg` is the stars' common direction, from the x axis towards the y axis, −90 to 90;
    NaN when they have none. `fwhm_px` is that of the core and says nothing about a disk or ring.

    `count` is of every star. Where only `sampled_fraction` of the frame was looked at, `stars` are
    those seen, and `count` is what the whole would show, by √(count · (1/sampled_fraction − 1)).
    `saturated_fraction` is of all pixels; `binning` is of the squares of pixels that were measured.
    `zones` (3 × 3, dtype ZONE; lowest rows and columns first) are the medians by parts of a frame.
    """

    background_adu: float
    noise_adu: float
    count: int
    half_flux_radius_px: float
    fwhm_px: float
    ellipticity: float
    stars: NDArray[np.void]
    long_axis_deg: float = float("nan")
    saturated_fraction: float = 0.0
    sampled_fraction: float = 1.0
    binning: int = 1
    zones: NDArray[np.void] = field(default_factory=_no_zones)


def measure(
    data: Image,
    *,
    saturation_adu: float,
    threshold_sigmas: float = 4.0,
    sample_px: int | None = SAMPLE_PX,
) -> StarField:
    """Measure a frame of pixel values in ADU (rows, columns), none of them NaN.

    A star is at least five connected pixels that each stand `threshold_sigmas` above the noise.
    `sample_px` is how many pixels to look at, None for all; all are looked at, too, when the
    sample has too few stars. Raises FrameNotMeasured when SEP cannot tell the sources apart.
    """

    def look_at(frame: Image, binning: int, px: int | None) -> Look:
        return look(
            frame,
            saturation_adu=saturation_adu,
            threshold_sigmas=threshold_sigmas,
            pixels_max=px,
            binning=binning,
        )

    sharp = chosen = look_at(data, 1, sample_px)
    if not _leaves_no_doubt(sharp):
        for frame, binning in _halvings(data):
            wide = look_at(frame, binning, sample_px)
            if _more_likely(wide, chosen):
                chosen = wide
            if _leaves_no_doubt(wide):
                break
    if chosen is sharp and sharp.tried < TYPICAL_STARS and sharp.fraction < 1:
        chosen = sharp = look_at(data, 1, None)
    return replace(
        _field(chosen, (data.shape[0], data.shape[1])),
        background_adu=sharp.sky.level_adu,
        noise_adu=sharp.sky.noise_adu,
        saturated_fraction=np.count_nonzero(data >= saturation_adu) / data.size,
    )


def _halvings(
    data: Image,
) -> Iterator[tuple[Image, int]]:
    """Halves of (rows, columns), and of those again, with how many pixels a side they join."""
    binning = 1
    while binning < BINNING_MAX and min(data.shape) >= 2 * HALVED_SIDE_PX_MIN:
        data, binning = halved(data), 2 * binning
        yield data, binning


def _fits(seen: Look) -> bool:
    """Whether the stars are of a size that this look measures well."""
    least_px, most_px = SHARP_PX if seen.binning == 1 else WIDE_PX
    return least_px <= _median(_good(seen.stars)["half_flux_radius_px"]) / seen.binning <= most_px


def _leaves_no_doubt(seen: Look) -> bool:
    enough = seen.whole >= max(ENOUGH, seen.tried / 2)
    return enough and seen.agreeing >= seen.whole / 2 and _fits(seen)


def _more_likely(wide: Look, chosen: Look) -> bool:
    """Whether a look sees more stars of one size than the looks at sharper ones did.

    Knots of a nebula seldom agree. Where nothing at all was whole before, any star is likelier.
    """
    if not _fits(wide):
        return False
    if not chosen.whole:
        return wide.agreeing > 0
    least = chosen.agreeing + 1 if _fits(chosen) else AGREEING_MIN
    return wide.agreeing >= max(least, AGREEING_MIN, wide.tried / 2)


def _good(stars: NDArray[np.void]) -> NDArray[np.void]:
    """The stars that the medians are of, (m,) of n: the best kind of which there are enough, or
    any; none whose size is NaN.
    """
    sized = stars[np.isfinite(stars["half_flux_radius_px"])]
    alone = sized[~sized["crowded"]]
    bright = alone[alone["snr"] >= SNR_MIN]
    return np.asarray(bright if len(bright) >= ENOUGH else alone if len(alone) else sized)


def _field(seen: Look, shape: tuple[int, int]) -> StarField:
    count = round(len(seen.stars) / seen.fraction)
    found = described(seen.stars, shape, seen.sky, count)
    return replace(found, sampled_fraction=seen.fraction, binning=seen.binning)


def described(stars: NDArray[np.void], shape: tuple[int, int], sky: Sky, count: int) -> StarField:
    """A field of stars (n,), brightest first, in a frame of (rows, columns), with the medians."""
    good = _good(stars)
    zones = _no_zones()
    numbers = zone_of(shape, good["x"], good["y"])
    for number, zone in enumerate(zones.reshape(-1)):
        here = good[numbers == number]
        zone["sized"] = len(here)
        for name, value in _medians(here).items():
            zone[name] = value
    medians = _medians(good)
    return StarField(
        sky.level_adu,
        sky.noise_adu,
        count,
        medians["half_flux_radius_px"],
        medians["fwhm_px"],
        medians["ellipticity"],
        stars,
        medians["long_axis_deg"],
        zones=zones,
    )


def _medians(stars: NDArray[np.void]) -> dict[str, float]:
    """Medians of stars, (n,), by name; NaN for n = 0."""
    names = ("half_flux_radius_px", "fwhm_px", "ellipticity")
    return {name: _median(stars[name]) for name in names} | {
        "long_axis_deg": _common_axis_deg(stars)
    }


def _common_axis_deg(stars: NDArray[np.void]) -> float:
    """The mean direction of n axes, whose angles are doubled so that opposite ends are the same;
    NaN where they have none in common, or n = 0.
    """
    doubled = np.exp(2j * np.radians(stars["long_axis_deg"]))
    if not len(stars) or len(stars) * abs(np.mean(doubled)) ** 2 < ALIGNED_MIN:
        return float("nan")
    return float(np.degrees(np.angle(np.mean(doubled)) / 2))


def _median(values: NDArray[np.float64]) -> float:
    """The median of (n,) without what is NaN; NaN where nothing is left."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")
