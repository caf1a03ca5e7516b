"""Guiding under a quiet air, in which a mount's own motion is what is left to beat."""

from guiding.closed_loop import (
    HARD_MOUNT,
    GuidedSky,
    air_floor_arcsec,
    forecasting,
    guide,
    proportional,
    rms_arcsec,
)

JITTER_ARCSEC = 0.1
"""Of a star in one axis and one second: a good mountain's."""


def test_in_quiet_air_the_error_is_half_of_a_plain_loops() -> None:
    """All of it, air included, in the same half hour; under more air the floor alone is more."""
    rms = []
    for rule in (forecasting, proportional):
        sky = GuidedSky(HARD_MOUNT, seed=0, jitter_arcsec=JITTER_ARCSEC)
        rms.append(rms_arcsec(sky, guide(sky, rule(sky, sky.calibrate()), 0.5)))
    guided, plain = rms
    assert guided <= 0.5 * plain
    assert guided <= 1.25 * air_floor_arcsec(sky)
