"""Arrays in anonymous memory files, which other processes open without copying them.

The system frees such a file when nobody has it open or mapped any more, also after a crash.
"""

import math
import mmap
import os
import weakref
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", bound=np.generic)

LEAST_BYTES = 1_000_000
"""Smaller arrays are copied to another process in less than a millisecond."""

_DESCRIPTORS: weakref.WeakKeyDictionary[mmap.mmap, int] = weakref.WeakKeyDictionary()


def zeros(shape: tuple[int, ...], dtype: type[Number]) -> NDArray[Number]:
    """A new array, in a file of its own where it is large. Raises OSError where there is no room.

    The file lasts as long as the array and those that came of it.
    """
    size = math.prod(shape) * np.dtype(dtype).itemsize
    if size < LEAST_BYTES:
        return np.zeros(shape, dtype)
    descriptor = os.memfd_create("nightloom", os.MFD_CLOEXEC)
    try:
        os.ftruncate(descriptor, size)
        memory = mmap.mmap(descriptor, size)
    except OSError:
        os.close(descriptor)
        raise
    _DESCRIPTORS[memory] = descriptor
    weakref.finalize(memory, os.close, descriptor)
    return np.frombuffer(memory, dtype).reshape(shape)


def descriptor_of(array: NDArray[np.generic]) -> int | None:
    """The descriptor of the file that an array fills from end to end; None where it does not."""
    whole = array
    while isinstance(whole.base, np.ndarray):
        whole = whole.base
    memory = whole.base.obj if isinstance(whole.base, memoryview) else whole.base
    fills = array.flags.c_contiguous and array.nbytes == whole.nbytes
    return _DESCRIPTORS.get(memory) if fills and isinstance(memory, mmap.mmap) else None
