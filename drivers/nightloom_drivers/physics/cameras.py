"""The two cameras: they turn a view of the sky into a frame of raw numbers."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.physics.cooler import Cooler
from nightloom_drivers.physics.settings import SensorSettings

FrameKind = Literal["light", "dark", "bias", "flat"]
Frame = NDArray[np.uint16]


@dataclass(frozen=True)
class Window:
    """A part of the sensor in unbinned pixels, counted from 0."""

    x: int
    y: int
    width: int
    height: int


class MainCamera:
    """The cooled imaging camera."""

    settings: SensorSettings
    cooler: Cooler

    def expose(
        self,
        t_start_s: float,
        exposure_s: float,
        kind: FrameKind = "light",
        window: Window | None = None,
        binning: int = 1,
    ) -> Frame:
        """Return the frame, shape (height, width) after binning; the first row is the lowest.

        The world's wheel, focuser, mount, covers and panel are read through the exposure, so ask
        when it has ended. Dark and bias frames see no light whatever is open; light and flat
        frames see the sky, or the panel when the cap is closed.
        """
        raise NotImplementedError


class GuideCamera:
    """The small uncooled camera on the guide telescope, under the roof but not the dust cap."""

    settings: SensorSettings

    def expose(
        self,
        t_start_s: float,
        exposure_s: float,
        kind: FrameKind = "light",
        window: Window | None = None,
    ) -> Frame:
        """Return the frame, shape (height, width)."""
        raise NotImplementedError
