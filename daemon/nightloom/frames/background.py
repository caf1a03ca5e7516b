"""The sky behind the stars: a smooth map of it, and the noise of a pixel."""

from dataclasses import dataclass

import numpy as np
import sep
from numpy.typing import NDArray

MESH_PX = 64  # a cell of the map: much wider than a star, narrower than a gradient
NOISE_ADU_MIN = 12**-0.5  # rounding to whole numbers alone
# From this size on every second pixel of every second row is enough: a cell's level is then still
# known to 4 % of the noise, in a quarter of the time.
THINNED_FROM_PX = 250_000


@dataclass(frozen=True)
class Sky:
    """Level and noise of one pixel, ADU."""

    level_adu: float
    noise_adu: float


def take_sky_off(pixels: NDArray[np.float32]) -> Sky:
    """Subtract the map from pixels (rows, columns) in place; the map leaves a NaN out."""
    step = 2 if pixels.size >= THINNED_FROM_PX else 1
    thin = np.ascontiguousarray(pixels[::step, ::step])
    sky = sep.Background(thin, bw=MESH_PX // step, bh=MESH_PX // step)
    sky_map = sky.back(dtype=np.float32)
    for row in range(step):
        for column in range(step):
            part = pixels[row::step, column::step]
            part -= sky_map[: part.shape[0], : part.shape[1]]
    return Sky(float(sky.globalback), max(float(sky.globalrms), NOISE_ADU_MIN))
