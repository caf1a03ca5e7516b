"""Which sources are no stars: satellites' trails and bad columns, whole or in bits."""

import numpy as np
from numpy.typing import NDArray

# A trail is a source much longer than a star is long, and narrow, or a bit of one: much longer for
# its width than the stars are.
LENGTH, NARROW, ELONGATED = 3.0, 2.0, 2.5

# A faint trail is many bits, some as round as stars, but all on one line. Lines are tried through
# the most elongated sources.
LINES_MAX = 3
TRIED, TRIED_ELONGATED = 24, 1.5
REACH_WIDTHS = 2.0  # how far off the line a bit lies, in stars' semi-axes
SURPLUS, SURPLUS_SIGMAS = 6.0, 5.0  # more on a line than stars at random would be


def trails(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    long_px: NDArray[np.float64],
    short_px: NDArray[np.float64],
    width_px: float,
    usual_ratio: float,
) -> NDArray[np.bool_]:
    """Mark the sources of trails, from places and rms semi-axes.

    Most stars of the frame have the semi-axis `width_px`, and are `usual_ratio` longer than wide.
    All are (n,) without NaN, as is what is returned.
    """
    ratio = long_px / short_px
    marked = (ratio > ELONGATED * usual_ratio) | (
        (long_px > LENGTH * width_px) & (ratio > NARROW * usual_ratio)
    )
    for _ in range(LINES_MAX):
        line = _line(x, y, np.where(ratio > TRIED_ELONGATED * usual_ratio, ratio, 0.0), width_px)
        if line is None:
            break
        marked, ratio = marked | line, np.where(line, 0.0, ratio)
    return np.asarray(marked)


def _line(
    x: NDArray[np.float64], y: NDArray[np.float64], worth: NDArray[np.float64], width_px: float
) -> NDArray[np.bool_] | None:
    """The sources on the fullest line, (n,) of n, if it is too full for stars at random.

    Places (n,) in pixels; lines are tried between those of the highest `worth`, (n,), above 0. No
    NaN.
    """
    ends = np.argsort(-worth, kind="stable")[:TRIED]
    ends = ends[worth[ends] > 0]
    if len(ends) < 2:
        return None
    span_px = np.hypot(np.ptp(x), np.ptp(y))
    one, other = (ends[chosen] for chosen in np.triu_indices(len(ends), 1))
    apart_px = np.hypot(x[other] - x[one], y[other] - y[one])
    far = apart_px > 0.1 * span_px  # nearer ones do not tell the line's direction
    one, other, apart_px = one[far], other[far], apart_px[far]
    if not len(one):
        return None
    along_x, along_y = (x[other] - x[one]) / apart_px, (y[other] - y[one]) / apart_px
    off_px = along_x[:, None] * (y - y[one][:, None]) - along_y[:, None] * (x - x[one][:, None])
    on_line = np.abs(off_px) < REACH_WIDTHS * width_px
    counts = on_line.sum(axis=1)
    fullest = int(np.argmax(counts))
    area_px = max(float(np.ptp(x) * np.ptp(y)), 1.0)
    expected = len(x) * 2 * REACH_WIDTHS * width_px * span_px / area_px
    if counts[fullest] < expected + SURPLUS_SIGMAS * expected**0.5 + SURPLUS:
        return None
    return np.asarray(on_line[fullest])
