"""Images as they are passed on: (rows, columns), row 0 the first one sent, in ADU, never NaN."""

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint16]
"""Whole counts, as a camera gives them."""

Image = Pixels | NDArray[np.float32]
"""Counts, or what became of them."""
