"""What a frame shows: background, noise and stars, measured with SEP.

The half-flux radius here is the radius of the circle that holds half of a star's flux within the
measuring aperture (Gaussian: 1.1774 σ, half of its FWHM); the flux-weighted mean radius that also
goes by that name is 6 % larger for a Gaussian. The width of a pixel is part of every size: it adds
11 % to the half-flux radius at 2 px FWHM and 1.5 % at 5 px.
Source: Barbary 2016, JOSS 1(6), 58 (SEP); Bertin & Arnouts 1996, A&AS 117, 393 (the method).
"""

from dataclasses import dataclass

import numpy as np
import sep
from numpy.typing import NDArray

# Pixel x (along a row) and y (across rows) count from 0 at the middle of the first pixel.
STAR = np.dtype(
    [
        ("x", "f8"),
        ("y", "f8"),
        ("flux_adu", "f8"),
        ("peak_adu", "f8"),  # above the background
        ("half_flux_radius_px", "f8"),
        ("fwhm_px", "f8"),  # NaN where the core has no single peak
        ("ellipticity", "f8"),  # 1 − b/a
        ("saturated", "?"),
        ("cut", "?"),  # its aperture reaches over the edge
    ]
)

MESH_PX = 64  # a cell of the background map: much wider than a star, narrower than a gradient
AREA_PX_MIN = 5  # connected pixels above the threshold; a hot pixel has one, a hot pair two
NOISE_ADU_MIN = 12**-0.5  # rounding to whole numbers alone
APERTURE_RADII = 6.0  # in units of the star's rms semi-axis: a Gaussian's whole flux
APERTURE_STARS = 50  # the brightest stars, which set one aperture for all
SUBPIXELS = 3  # 5 costs twice the time and moves the radius by less than 0.5 %
CORE_FRACTION = 0.3  # the FWHM is fitted to pixels brighter than this share of the peak

# SEP keeps two limits for the whole process and raises when one is passed: pixels in unfinished
# sources, which it clears for each frame at 10 ns each, and pieces of one source.
STACK_PX_MIN, STACK_SHARE = 300_000, 0.1
PIECES_MAX = 8192  # the default of 1024 is too few for a globular cluster


class FrameNotMeasured(Exception):
    """SEP gave up on a frame: `seen` is its reason, with the frame's background and noise."""

    def __init__(self, seen: str) -> None:
        super().__init__(seen)
        self.seen = seen


@dataclass(frozen=True, eq=False)
class StarField:
    """A frame's stars, brightest first (dtype STAR), and medians over the well-exposed ones.

    The medians are NaN when no star is whole and unsaturated; `count` counts every star.
    """

    background_adu: float
    noise_adu: float
    count: int
    half_flux_radius_px: float
    fwhm_px: float
    ellipticity: float
    stars: NDArray[np.void]


def measure(
    data: NDArray[np.uint16] | NDArray[np.float32],
    *,
    saturation_adu: float,
    threshold_sigmas: float = 4.0,
) -> StarField:
    """Measure a frame of pixel values in ADU (rows, columns).

    A star is at least five connected pixels that each stand `threshold_sigmas` above the noise.
    Raises FrameNotMeasured when SEP cannot tell the sources apart.
    """
    pixels = np.array(data, dtype=np.float32, order="C")  # a copy: the background goes off in place
    sky = sep.Background(pixels, bw=MESH_PX, bh=MESH_PX)
    noise_adu = max(float(sky.globalrms), NOISE_ADU_MIN)
    sky.subfrom(pixels)
    sources = _extract(pixels, threshold_sigmas * noise_adu, float(sky.globalback))
    stars = _describe(pixels, sources)
    columns, rows = sources["xcpeak"], sources["ycpeak"]
    stars["saturated"] = data[rows, columns] >= saturation_adu
    stars = stars[np.argsort(-stars["flux_adu"], kind="stable")]
    good = stars[~stars["saturated"] & ~stars["cut"]]
    return StarField(
        background_adu=float(sky.globalback),
        noise_adu=noise_adu,
        count=len(stars),
        half_flux_radius_px=_median(good["half_flux_radius_px"]),
        fwhm_px=_median(good["fwhm_px"]),
        ellipticity=_median(good["ellipticity"]),
        stars=stars,
    )


def _extract(pixels: NDArray[np.float32], threshold_adu: float, sky_adu: float) -> NDArray[np.void]:
    sep.set_extract_pixstack(max(STACK_PX_MIN, int(STACK_SHARE * pixels.size)))
    sep.set_sub_object_limit(PIECES_MAX)
    # No smoothing: it would spread a hot pixel into a small round star.
    try:
        return sep.extract(pixels, threshold_adu, minarea=AREA_PX_MIN, filter_kernel=None)  # type: ignore[no-any-return]
    except Exception as reason:
        seen = f"{reason} (background {sky_adu:.0f}, threshold {threshold_adu:.1f} ADU)"
        raise FrameNotMeasured(seen) from reason


def _describe(pixels: NDArray[np.float32], sources: NDArray[np.void]) -> NDArray[np.void]:
    stars = np.zeros(len(sources), STAR)
    if not len(sources):
        return stars
    x, y = sources["x"], sources["y"]
    # One aperture for all, so that faint stars, seen above the noise only at the core, are not
    # measured smaller than bright ones.
    brightest = np.argsort(-sources["flux"])[:APERTURE_STARS]
    aperture_px = APERTURE_RADII * float(np.median(sources["a"][brightest]))
    flux_adu, _, _ = sep.sum_circle(pixels, x, y, aperture_px)
    radius_px, _ = sep.flux_radius(
        pixels, x, y, np.full(len(x), aperture_px), 0.5, subpix=SUBPIXELS
    )
    stars["x"], stars["y"], stars["flux_adu"], stars["peak_adu"] = x, y, flux_adu, sources["peak"]
    stars["half_flux_radius_px"] = radius_px
    stars["fwhm_px"] = _fwhm_px(pixels, stars, 2 * round(aperture_px / APERTURE_RADII) + 2)
    stars["ellipticity"] = 1 - sources["b"] / sources["a"]
    rows, columns = pixels.shape
    room_px = np.minimum.reduce([x, y, columns - 1 - x, rows - 1 - y])
    stars["cut"] = room_px < aperture_px
    return stars


def _fwhm_px(
    pixels: NDArray[np.float32], stars: NDArray[np.void], half_width_px: int
) -> NDArray[np.float64]:
    """FWHM of the Gaussian fitted to each star's core, a straight line in (r², ln value)."""
    steps = np.arange(-half_width_px, half_width_px + 1)
    columns = np.rint(stars["x"]).astype(int)[:, None, None] + steps[None, None, :]
    rows = np.rint(stars["y"]).astype(int)[:, None, None] + steps[None, :, None]
    inside = (rows >= 0) & (rows < pixels.shape[0]) & (columns >= 0) & (columns < pixels.shape[1])
    values = pixels.take(rows * pixels.shape[1] + columns, mode="clip").astype(np.float64)
    core = inside & (values > CORE_FRACTION * stars["peak_adu"][:, None, None])
    squared_px = (columns - stars["x"][:, None, None]) ** 2 + (
        rows - stars["y"][:, None, None]
    ) ** 2
    logs = np.log(values, where=core, out=np.zeros_like(values))
    weights = np.where(core, values**2, 0.0)  # a logarithm's error is the value's / value
    sums = [np.sum(weights * term, axis=(1, 2)) for term in (1, squared_px, logs)]
    mean_r2, mean_log = sums[1] / sums[0], sums[2] / sums[0]
    off = squared_px - mean_r2[:, None, None]
    slope = np.sum(weights * off * (logs - mean_log[:, None, None]), axis=(1, 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        slope /= np.sum(weights * off**2, axis=(1, 2))
        return np.asarray(np.sqrt(-4 * np.log(2) / slope))


def _median(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")
