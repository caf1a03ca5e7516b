"""How deep a rehearsal goes: what its simulated cameras send."""

from enum import StrEnum


class Depth(StrEnum):
    """Everything but the frames is the same in each depth."""

    PIXELS = "pixels"
    """Pictures, which the daemon measures."""
    STARS = "stars"
    """Lists of stars as a measurement of such pictures would find them."""
