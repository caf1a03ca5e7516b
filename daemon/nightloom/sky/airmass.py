"""How much air the light crosses."""

import numpy as np
from numpy.typing import ArrayLike, NDArray


def airmass(altitude_deg: ArrayLike) -> NDArray[np.float64]:
    """Relative airmass at an altitude; NaN below the horizon.

    Pickering, "The Southern Limits of the Ancient Star Catalog", DIO 12 (2002). It agrees with
    Kasten & Young, Applied Optics 28 (1989), to 0.3 % above 5°.
    """
    altitude = np.asarray(altitude_deg, dtype=np.float64)
    above = np.where(altitude >= 0, altitude, np.nan)
    return np.asarray(1.0 / np.sin(np.radians(above + 244.0 / (165.0 + 47.0 * above**1.1))))
