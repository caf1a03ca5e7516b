"""Whether a frame that should be dark was: light raises its level above that of a bias."""

PROBE_S = 30.0
"""Exposure of the dark that shows, before anything is kept, whether it is dark at all."""


def leak(level_adu: float, bias_adu: float, exposure_s: float, most_adu: float) -> str:
    """Why a dark of so many seconds is refused, or nothing.

    Levels are medians, which hot pixels do not move. The dark current of a cooled sensor adds a
    few counts in minutes (common practice, no source), and `most_adu` stands well above that.
    """
    above_adu = level_adu - bias_adu
    if above_adu <= most_adu:
        return ""
    return (
        f"after {exposure_s:g} s its level is {above_adu:.0f} ADU above that of a bias,"
        f" {most_adu:g} are borne: light leaks in"
    )
