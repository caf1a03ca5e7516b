"""What tests ask of worker processes, in a module that those can import."""

import os

import numpy as np
from numpy.typing import NDArray


def described(array: NDArray[np.uint16], factor: int) -> tuple[int, int, tuple[int, ...], bool]:
    """Who works, and on what: process, factor × sum, shape, whether it can be written."""
    return os.getpid(), factor * int(array.sum()), array.shape, array.flags.writeable


def refused(_: NDArray[np.uint16]) -> None:
    """Raise."""
    raise ValueError("not this one")
