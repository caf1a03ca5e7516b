"""What the C library does with memory that is free again."""

import ctypes

M_TRIM_THRESHOLD, M_MMAP_THRESHOLD, M_ARENA_MAX = -1, -3, -8
"""Of mallopt(3) in Linux's manual."""

LARGE_BYTES = 4 * 2**20
ARENAS_MAX = 2


def give_frames_back() -> None:
    """Have large arrays of this process go back to the system as soon as they are free.

    The GNU C library keeps up to 32 MB of each at hand otherwise, for every thread; another C
    library does as it likes.
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(M_MMAP_THRESHOLD, LARGE_BYTES)
        mallopt(M_TRIM_THRESHOLD, LARGE_BYTES)
        mallopt(M_ARENA_MAX, ARENAS_MAX)
