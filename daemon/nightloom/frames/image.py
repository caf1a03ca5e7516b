"""Images as they are passed on: (rows, columns), row 0 the first one sent, in ADU, never NaN."""

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.star_list import StarList

Pixels = NDArray[np.uint16]
"""Whole counts, as a camera gives them."""

Image = Pixels | NDArray[np.float32]
"""Counts, or what became of them."""

Frame = Pixels | StarList
"""What a camera sends: a picture, or in a rehearsal without pixels only its stars."""


def picture(frame: Image | StarList) -> Image:
    """The pixels (rows, columns) of a frame that must have some. Raises TypeError without them."""
    if isinstance(frame, StarList):
        raise TypeError("this frame has no pixels, only its stars")
    return frame
