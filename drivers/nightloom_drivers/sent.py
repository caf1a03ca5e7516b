"""What simulated cameras send; everything else of a rehearsal is the same."""

from enum import StrEnum


class Sent(StrEnum):
    """The frames of both cameras."""

    PIXELS = "pixels"
    """Pictures, which the daemon measures."""
    STARS = "stars"
    """Lists of stars as a measurement of such pictures would find them."""
