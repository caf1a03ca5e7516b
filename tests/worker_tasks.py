"""What tests ask of worker processes, in a module that those can import."""

import os
import signal
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray


def described(array: NDArray[np.uint16], factor: int) -> tuple[int, int, tuple[int, ...], bool]:
    """Who works, and on what: process, factor × sum, shape, whether it can be written."""
    return os.getpid(), factor * int(array.sum()), array.shape, array.flags.writeable


def refused(_: NDArray[np.uint16]) -> None:
    """Raise."""
    raise ValueError("not this one")


def dies(*_: Any) -> None:
    """End the worker as the system does when memory runs out."""
    os.kill(os.getpid(), signal.SIGKILL)


def dies_once(mark: Path) -> int:
    """End the worker, unless it was ended before; the worker's process id."""
    if not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return os.getpid()


def hangs(*_: Any) -> None:
    """Never come back."""
    signal.pause()
