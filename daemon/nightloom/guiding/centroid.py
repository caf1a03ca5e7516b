"""Where the guide stars are now: small windows, many stars, one weighted offset."""

from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray

from nightloom.frames.image import Pixels
from nightloom.guiding.stars import APERTURE_FWHM, Floats, GuideStars
from nightloom.guiding.windows import RIM_PX, aperture, rim, windows, without_sky

FWHM_PER_SIGMA = 2.3548
# The best of some hundred places in pure noise reaches 4 now and then.
HELD_SNR_MIN = 5.0
RADIUS_MIN_PX = RIM_PX + 2
# Window variance over star variance. 1 is best against sky noise, wider against photon noise; at 2
# the scatter is 1.12 times the photon limit (from 1.33) and 1.13 times the best under bright sky.
WINDOW_RATIO = 2.0
# A star that is hardly wider than a pixel seems to move by half or twice its way, as it lies, in a
# window as narrow as itself; in this one by four fifths to five quarters.
WINDOW_VAR_MIN_PX2 = 1.5
# Exact after one step for a star of the reference size; one twice as wide halves its distance each
# time, so that six steps from under a pixel leave 0.01 px. What moves by less has arrived.
CENTROID_STEPS, ARRIVED_PX = 6, 0.002
# Images of different stars wander apart in the air by some hundredths of a FWHM (common practice,
# no source), so that no single bright star should carry all the weight.
WANDER_FWHM = 0.03
# Wide enough for a star half as wide again as the reference, narrow enough to shut most noise out.
WIDTH_FWHM = 2.5
# A star further than this from the others' offset is a hot pixel, a satellite or another star.
STRAY_FWHM = 0.75
STRAY_SIGMA = 5.0


@dataclass(frozen=True, eq=False)
class Measurement:
    """What one guide frame says.

    ``dx_px``, ``dy_px``: weighted offset of the held stars from their reference positions;
    ``error_px``: its standard error in one axis; ``fwhm_px``: their median FWHM; ``width_px``: a
    FWHM of all of them that hardly depends on where they lie on the pixels; all NaN when no star is
    held. ``flux_ratio``: median light of the stars in the frame, held or not, against the
    reference (0 without any). ``held``: how many stars were held. Arrays have shape (n,), in the
    order of the reference: positions and errors of lost stars are NaN.
    """

    dx_px: float
    dy_px: float
    error_px: float
    fwhm_px: float
    flux_ratio: float
    held: int
    x_px: Floats
    y_px: Floats
    snr: Floats
    star_error_px: Floats
    is_held: NDArray[np.bool_]
    width_px: float = np.nan


def measure(
    image: Pixels,
    stars: GuideStars,
    *,
    radius_px: int,
    near_px: tuple[float, float] = (0.0, 0.0),
) -> Measurement:
    """Measure ``image`` (rows, columns) against ``stars``, searching ``radius_px`` around them.

    The image has no NaN. A star whose reference is NaN, or whose window leaves the frame, is not
    held.

    ``near_px`` moves the search, not the reference: give the last offset while the star is led
    away on purpose. The common shift is found first, on the stars' windows laid over each other;
    then each star gets a Gaussian-windowed centroid. The error of one star in one axis is
    FWHM/(2.355 SNR) (King 1983, PASP 95, 163): the mean of N photons, each a star's σ off, is σ/√N
    off, and the SNR is √N at best. Nothing held is a result, not an error.
    Raises ValueError for a radius under `RADIUS_MIN_PX`, which leaves no room for a star.
    """
    if radius_px < RADIUS_MIN_PX:
        raise ValueError(f"radius_px must be at least {RADIUS_MIN_PX}, got {radius_px}")
    height, width = image.shape
    column = np.rint(np.nan_to_num(stars.x_px + near_px[0])).astype(np.intp)
    row = np.rint(np.nan_to_num(stars.y_px + near_px[1])).astype(np.intp)
    visible = np.flatnonzero(
        (column >= radius_px)
        & (column < width - radius_px)
        & (row >= radius_px)
        & (row < height - radius_px)
    )
    if len(visible) == 0:
        return nothing_held(len(stars))

    step = np.arange(-radius_px, radius_px + 1)
    column, row = column[visible], row[visible]
    light, noise_adu = without_sky(windows(image, column, row, radius_px))
    rest = np.array([stars.x_px[visible] - column, stars.y_px[visible] - row])
    shift = _common_shift(light / stars.flux_adu[visible, None, None], step, rest)
    centre, sigma_px = _centroids(light, step, rest + shift[:, None], stars.fwhm_px)
    flux, snr = _photometry(light, noise_adu, step, rest + shift[:, None], stars)

    fwhm_px = np.clip(sigma_px * FWHM_PER_SIGMA, 1.0, 2.0 * radius_px)
    moved = centre - rest
    error, held = believed(moved, shift, fwhm_px, snr, stars.fwhm_px)
    width_px = _width_px(light[held], step, centre[:, held], stars.fwhm_px)
    return summary(stars, visible, held, moved, error, snr, flux, fwhm_px, width_px)


def believed(
    moved: Floats, shift: Floats, fwhm_px: Floats, snr: Floats, usual_fwhm_px: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """Standard errors (n,) of how far stars ``moved`` (2, n), and which are held (n,): those bright
    enough that went with the common ``shift`` (2,). ``fwhm_px`` and ``snr`` are (n,).
    """
    error = np.where(snr > 0, fwhm_px / (FWHM_PER_SIGMA * np.maximum(snr, 1e-9)), np.inf)
    stayed = np.hypot(*(moved - shift[:, None])) < usual_fwhm_px + 1.0
    held = (snr >= HELD_SNR_MIN) & stayed
    return error, held & _agree(moved, error, held, usual_fwhm_px)


def nothing_held(count: int) -> Measurement:
    """What a frame says in which none of so many stars is held."""
    nan, nans = float("nan"), np.full(count, np.nan)
    lost = np.zeros(count, dtype=np.bool_)
    return Measurement(nan, nan, nan, nan, 0.0, 0, nans, nans, np.zeros(count), nans, lost)


def _common_shift(relative: Floats, step: NDArray[np.intp], rest: Floats) -> Floats:
    """The shift (x, y), to a pixel, at which the stars' windows laid over each other peak: (2,).

    ``relative``: light of each star in units of its own (n, size, size); ``step``: offsets of the
    window's pixels from its middle (size,); ``rest``: where each star should be in it (2, n).

    Sums of 3×3 pixels are compared, so that a hot pixel cannot outshine a star, and each window's
    are clipped, so that a bright star that came into one cannot outweigh the others.
    """
    rows = relative[:, :-2] + relative[:, 1:-1] + relative[:, 2:]
    sums = rows[:, :, :-2] + rows[:, :, 1:-1] + rows[:, :, 2:]
    highest = np.sort(sums.max(axis=(1, 2)))
    blocks = np.minimum(sums, 1.2 * highest[(len(highest) - 1) // 2]).sum(axis=0)
    row, column = divmod(int(blocks.argmax()), blocks.shape[1])
    peak = np.array([step[column + 1], step[row + 1]], dtype=np.float64)
    found: Floats = peak - rest.mean(axis=1)
    return found


def _centroids(
    light: Floats, step: NDArray[np.intp], start: Floats, fwhm_px: float
) -> tuple[Floats, Floats]:
    """Gaussian-windowed centroids (2, n) from ``start`` (2, n), and the σ (n,) of each star.

    ``light`` is (n, size, size). A window without light stays near its start; nothing is NaN.

    For a Gaussian star of variance s and a window of variance w, the weighted mean is w/(s+w) of
    the distance and the weighted variance is s·w/(s+w): products of Gaussians. The fixed point is
    the centre of any symmetric star.
    """
    star_var = (fwhm_px / FWHM_PER_SIGMA) ** 2
    window_var = max(WINDOW_RATIO * star_var, WINDOW_VAR_MIN_PX2)
    lengthen, longest = 1 + star_var / window_var, star_var**0.5
    centre = start.copy()
    for _ in range(CENTROID_STEPS):
        moments = _moments(light, step, centre, window_var)
        total = moments[:, 0, 0]
        safe = np.where(total > 0, total, np.inf)
        # A step longer than the star's σ comes from noise, not from a star.
        way = lengthen * np.array([moments[:, 0, 1], moments[:, 1, 0]]) / safe
        centre += way.clip(-longest, longest)
        if np.abs(way).max() < ARRIVED_PX:
            break
    spread = (moments[:, 0, 2] + moments[:, 2, 0]) / (2 * safe)
    spread = spread.clip(0.05 * window_var, 0.8 * window_var)
    return centre, np.sqrt(spread * window_var / (window_var - spread))


def _moments(light: Floats, step: NDArray[np.intp], centre: Floats, window_var: float) -> Floats:
    """Sums of light (n, size, size) times the i-th power of the distance down and the j-th of that
    across from a centre (2, n), in a Gaussian window: (n, 3, 3) by i and j.
    """
    away = step - centre[:, :, None]
    square = away * away
    weights = np.empty((2, len(light), 3, len(step)))
    weights[:, :, 0] = np.exp(square * (-0.5 / window_var))
    weights[:, :, 1] = weights[:, :, 0] * away
    weights[:, :, 2] = weights[:, :, 0] * square
    across, down = weights
    moments: Floats = np.matmul(np.matmul(down, light), across.transpose(0, 2, 1))
    return moments


def _photometry(
    light: Floats, noise_adu: Floats, step: NDArray[np.intp], centre: Floats, stars: GuideStars
) -> tuple[Floats, Floats]:
    """Light within the aperture at the expected places (2, n), and its SNR, both (n,): lost stars
    count too. ``light`` is (n, size, size), ``noise_adu`` (n,); less light than sky is negative.
    """
    share, _ = aperture(step, centre, APERTURE_FWHM * stars.fwhm_px)
    light = light.reshape(share.shape)
    flux = (light * share).sum(axis=1)
    # The sky level is a median over the rim, whose variance is π/2 that of a mean.
    level_variance = np.pi / 2 / len(rim(len(step)))
    area = share.sum(axis=1)
    sky_variance = noise_adu**2 * ((share * share).sum(axis=1) + area**2 * level_variance)
    return flux, flux / np.sqrt(np.maximum(flux, 0) / stars.gain_e_per_adu + sky_variance)


def _width_px(light: Floats, step: NDArray[np.intp], centre: Floats, fwhm_px: float) -> float:
    """FWHM of stars laid over each other, from the second moment of their light in an aperture.

    ``light`` (n, size, size) about ``centre`` (2, n); NaN for n = 0 and where there is no light.

    A pixel adds 1/12 px² to that wherever a star lies, while a window as narrow as a coarsely
    sampled star makes it look smaller or larger from place to place.
    """
    share, square = aperture(step, centre, WIDTH_FWHM * fwhm_px)
    share *= light.reshape(share.shape)
    total, moment = float(share.sum()), float((share * square).sum())
    return FWHM_PER_SIGMA * (moment / total / 2) ** 0.5 if min(total, moment) > 0 else np.nan


def _agree(
    moved: Floats, error: Floats, held: NDArray[np.bool_], fwhm_px: float
) -> NDArray[np.bool_]:
    """Which stars moved as the median of the held ones did: (n,), those that are not held too.

    ``moved`` is (2, n), ``error`` (n,), infinite where there is no light. Fewer than three are
    all believed.
    """
    if held.sum() < 3:
        return held
    middle = np.array([[median(way)] for way in moved[:, held].tolist()])
    allowed = np.maximum(STRAY_FWHM * fwhm_px, STRAY_SIGMA * error)
    agree: NDArray[np.bool_] = np.hypot(*(moved - middle)) < allowed
    return agree


def summary(
    stars: GuideStars,
    visible: NDArray[np.intp],
    held: NDArray[np.bool_],
    moved: Floats,
    error: Floats,
    snr: Floats,
    flux: Floats,
    fwhm_px: Floats,
    width_px: float,
) -> Measurement:
    """From arrays of the m visible stars, (m,) or (2, m), to all n of the reference: NaN where a
    star is not visible or not held.
    """
    nans, which = np.full((3, len(stars)), np.nan), visible[held]
    nans[0, which] = stars.x_px[which] + moved[0, held]
    nans[1, which] = stars.y_px[which] + moved[1, held]
    nans[2, which] = error[held]
    all_snr, is_held = np.zeros(len(stars)), np.zeros(len(stars), dtype=np.bool_)
    all_snr[visible], is_held[which] = snr, True
    (dx, dy), combined = _weighted(moved[:, held], error[held], stars.fwhm_px)
    return Measurement(
        dx_px=dx,
        dy_px=dy,
        error_px=combined,
        fwhm_px=median(fwhm_px[held].tolist()) if len(which) else float("nan"),
        flux_ratio=max(0.0, median((flux / stars.flux_adu[visible]).tolist())),
        held=len(which),
        x_px=nans[0],
        y_px=nans[1],
        snr=all_snr,
        star_error_px=nans[2],
        is_held=is_held,
        width_px=width_px,
    )


def _weighted(moved: Floats, error: Floats, fwhm_px: float) -> tuple[tuple[float, float], float]:
    """Weighted mean (x, y) of ``moved`` (2, n) with errors (n,), and its own error, widened when
    the stars disagree more than they should; NaN for n = 0.
    """
    count = moved.shape[1]
    if count == 0:
        return (float("nan"), float("nan")), float("nan")
    weight = 1 / (error**2 + (WANDER_FWHM * fwhm_px) ** 2)
    mean = moved @ weight / weight.sum()
    excess = 1.0
    if count > 2:
        squares = (weight * (moved - mean[:, None]) ** 2).sum()
        excess = max(1.0, float(squares) / (2 * (count - 1)))
    return (float(mean[0]), float(mean[1])), float(np.sqrt(excess / weight.sum()))
