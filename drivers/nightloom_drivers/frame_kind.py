"""What a camera's frame is of."""

from enum import StrEnum


class FrameKind(StrEnum):
    """A light is of the sky and has a target; the others calibrate it, and have none."""

    LIGHT = "light"
    DARK = "dark"
    """As long as a light, with no light falling in."""
    BIAS = "bias"
    """A dark as short as the camera can."""
    FLAT = "flat"
    """Of something evenly bright."""
