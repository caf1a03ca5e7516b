"""Where the night can be, and what a phase hands over when it ends."""

from enum import StrEnum
from typing import Generic, NamedTuple, TypeVar


class Phase(StrEnum):
    """Where the night is."""

    ASLEEP = "asleep"
    """Parked, closed and warm; nothing runs."""
    READYING = "readying"
    """Connecting and cooling; waiting closed until something is due, then opening."""
    ACQUIRING = "acquiring"
    """Unparking, slewing, solving, centring, beginning to guide, focusing."""
    GATHERING = "gathering"
    """Taking subs in cycles."""
    CROSSING = "crossing"
    """Waiting for the meridian and changing the side of the pier."""
    HOLDING = "holding"
    """Waiting under cloud, open, for the stars to come back."""
    PAUSING = "pausing"
    """Standing still, because a person asked for it; the weather is watched."""
    SHELTERING = "sheltering"
    """Parked and closed from bad weather."""
    CALIBRATING = "calibrating"
    """Taking calibration frames when the night's lights are done, parked and closed; for flats of
    the sky it opens once more."""
    RETIRING = "retiring"
    """Parking, closing, warming up."""
    STRANDED = "stranded"
    """Could not park or close: tries again, and calls for a person."""


To = TypeVar("To", bound=Phase, covariant=True)


class Next(NamedTuple, Generic[To]):
    """What a phase hands over when it ends; its type says where it may lead."""

    phase: To
    reason: str
