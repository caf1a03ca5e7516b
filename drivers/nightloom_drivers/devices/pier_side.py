"""The two sides of a pier."""

from enum import StrEnum


class PierSide(StrEnum):
    """Where the telescope is; west of the pier it looks east."""

    EAST = "east"
    WEST = "west"
    UNKNOWN = "unknown"
