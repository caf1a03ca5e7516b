"""What stands above the sky: connected pixels, found and taken apart by SEP."""

import numpy as np
import sep
from numpy.typing import NDArray

AREA_PX_MIN = 5  # connected pixels above the threshold; a hot pixel has one, a hot pair two

# SEP keeps two limits for the whole process and raises when one is passed: pixels in unfinished
# sources, which it clears for each frame at 10 ns each, and pieces of one source.
STACK_PX_MIN, STACK_SHARE = 300_000, 0.1
PIECES_MAX = 8192  # the default of 1024 is too few for a globular cluster

# Half of SEP's usual steps in taking sources apart: nearly the same stars, and bright nebulae take
# half of the time. A wide star is smoothed before it is looked for, which closes a ring, and its
# lesser part must have a good share of the light: noise makes lumps in a ring.
STEPS = 16
SHARP_LEAST_SHARE, WIDE_LEAST_SHARE = 0.01, 0.1
WIDE_KERNEL = np.outer([1, 2, 3, 2, 1], [1, 2, 3, 2, 1]).astype(np.float32)


class FrameNotMeasured(Exception):
    """SEP gave up on a frame: `seen` is its reason, with the threshold."""

    def __init__(self, seen: str) -> None:
        super().__init__(seen)
        self.seen = seen


def find(pixels: NDArray[np.float32], threshold_adu: float, *, wide: bool) -> NDArray[np.void]:
    """Sources above a threshold in pixels without sky, as sep.extract describes them.

    `pixels` (rows, columns) hold no NaN; returns (n,), in SEP's order.
    Raises FrameNotMeasured when SEP cannot tell the sources apart.
    """
    sep.set_extract_pixstack(max(STACK_PX_MIN, int(STACK_SHARE * pixels.size)))
    sep.set_sub_object_limit(PIECES_MAX)
    try:
        return sep.extract(  # type: ignore[no-any-return]
            pixels,
            threshold_adu,
            minarea=AREA_PX_MIN,
            # Smoothing would spread a hot pixel into a small round star; halving removed those.
            filter_kernel=WIDE_KERNEL if wide else None,
            deblend_nthresh=STEPS,
            deblend_cont=WIDE_LEAST_SHARE if wide else SHARP_LEAST_SHARE,
        )
    except Exception as reason:
        raise FrameNotMeasured(f"{reason} (threshold {threshold_adu:.1f} ADU)") from reason
