"""Why a frame could not be solved, as far as it shows: cloud is one reason among several."""

from dataclasses import dataclass
from enum import StrEnum

from nightloom.clouds.frames import transparency_of

STARS_MIN = 10
"""With fewer in a frame something stands before the sky, or they are no stars any more."""

BLURRED = 2.5
"""Stars so many times as large as when a frame was solved are out of focus: no air does that."""

NO_LIGHT_ADU = 2.0
"""A dark sky adds several times that in some seconds through a filter as wide as those that frames
to be solved are taken through; what a warm sensor adds is less."""


class Unsolved(StrEnum):
    """What is to blame."""

    CLOUD = "cloud"
    FOCUS = "focus"
    DARK = "dark"
    MOUNT = "mount"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class UnsolvedFacts:
    """What the frames that were not solved show, and what was seen before.

    `rise_adu` is by how much a longer exposure raised the background; `usual_stars` and
    `usual_radius_px` are those of frames that were solved tonight; None is what is not known.
    """

    stars: int
    radius_px: float
    rise_adu: float | None = None
    usual_stars: int | None = None
    usual_radius_px: float | None = None
    guide_dim: bool = False


def why_unsolved(facts: UnsolvedFacts, hold_fraction: float) -> tuple[Unsolved, str]:
    """What is to blame, and in words.

    Cloud only where something tells it from the rest: guide stars that have dimmed, or a night in
    which frames were solved, so that focus, pixel size and cap are known to be right.
    """
    holds = f"it holds {facts.stars} stars"
    if facts.stars < STARS_MIN and facts.rise_adu is not None and facts.rise_adu < NO_LIGHT_ADU:
        return Unsolved.DARK, f"{holds}, and no light of a sky: is a cap on, or the roof closed?"
    if facts.usual_radius_px and facts.radius_px > BLURRED * facts.usual_radius_px:
        times = facts.radius_px / facts.usual_radius_px
        return Unsolved.FOCUS, f"{holds}, {times:.1f} times as large as before"
    if facts.guide_dim:
        return Unsolved.CLOUD, f"{holds}, and the guide stars are dim"
    if facts.stars < STARS_MIN:
        if facts.usual_radius_px:
            return Unsolved.CLOUD, holds
        return Unsolved.UNKNOWN, f"{holds}: thick cloud, or far out of focus"
    usual = facts.usual_stars
    if usual and transparency_of(facts.stars, usual) < hold_fraction:
        return Unsolved.CLOUD, f"{holds} where {usual} were seen"
    return Unsolved.MOUNT, f"though they hold {facts.stars} stars"
