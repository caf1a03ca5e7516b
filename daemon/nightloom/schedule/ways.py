"""What the way to a target takes, and the way to the other side of the pier, in seconds."""

from nightloom.settings import Settings

SLEW_S, GUIDE_S = 60.0, 30.0
"""A slew across half the sky, and a calibrated guider's way to rest: common practice, no source."""


def move_cost_s(settings: Settings) -> float:
    """What it takes from one target to the next: to go there and to take a focus curve."""
    return crossing_cost_s(settings) + focus_cost_s(settings)


def crossing_cost_s(settings: Settings) -> float:
    """What it takes to the other side of the pier: slew, two frames to centre, guide."""
    acquire, observatory = settings.policies.acquire, settings.observatory
    centre_s = 2 * (acquire.exposure_s + observatory.costs.download_s)
    return SLEW_S + observatory.mount.slew_settle_s + centre_s + GUIDE_S


def focus_cost_s(settings: Settings) -> float:
    """What a focus curve takes."""
    focus = settings.policies.focus
    return focus.points * (focus.exposure_s + settings.observatory.costs.download_s)
