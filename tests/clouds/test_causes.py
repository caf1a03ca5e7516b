"""What dims the sky, told from the light of the stars over time."""

from collections.abc import Callable

import numpy as np
import pytest

from nightloom.clouds import Cause, SkyLook, Unsolved, UnsolvedFacts, cause_of, why_unsolved

MINUTE_S = 60.0


def looks(
    lost_mag: Callable[[float], float],
    growth: Callable[[float], float] = lambda _: 1.0,
    lit: Callable[[float], float] = lambda _: 1.0,
    *,
    hours: float = 2.0,
    twilight: bool = False,
) -> list[SkyLook]:
    """A look each two minutes, with the scatter of what is measured."""
    rng = np.random.default_rng(2)
    return [
        SkyLook(
            at_s,
            float(10 ** (-0.4 * (lost_mag(at_s / 3600) + 0.015 * rng.standard_normal()))),
            growth(at_s / 3600) * (1 + 0.03 * rng.standard_normal()),
            lit(at_s / 3600),
            twilight,
        )
        for at_s in np.arange(0.0, hours * 3600, 2 * MINUTE_S).tolist()
    ]


def test_a_clear_sky_is_clear() -> None:
    assert cause_of(looks(lambda _: 0.0)) is Cause.CLEAR


def test_light_that_comes_and_goes_within_minutes_is_cloud() -> None:
    assert cause_of(looks(lambda h: 0.5 + 0.45 * np.sin(60 * h))) is Cause.CLOUD
    assert cause_of(looks(lambda h: 0.6 * (h > 1.8))) is Cause.CLOUD


def test_slow_loss_is_haze_and_with_growing_stars_dew() -> None:
    slow = 0.2
    assert cause_of(looks(lambda h: slow * h)) is Cause.HAZE
    assert cause_of(looks(lambda h: slow * h, growth=lambda h: 1.0 + 0.15 * h)) is Cause.DEW


def test_larger_stars_of_all_their_light_are_no_dew() -> None:
    assert cause_of(looks(lambda _: 0.0, growth=lambda h: 1.0 + 0.3 * h)) is Cause.CLEAR


def test_moonrise_and_twilight_are_no_cloud() -> None:
    brighter = looks(lambda _: 0.0, lit=lambda h: 1.0 + 4.0 * h)
    assert cause_of(brighter) is Cause.MOON
    dawn = looks(lambda _: 0.0, lit=lambda h: 1.0 + 4.0 * h, twilight=True)
    assert cause_of(dawn) is Cause.TWILIGHT


def test_what_is_dim_from_the_first_look_on_is_not_named_yet() -> None:
    assert cause_of(looks(lambda _: 0.3, hours=0.2)) is Cause.UNKNOWN
    assert cause_of([]) is Cause.UNKNOWN


@pytest.mark.parametrize(
    ("facts", "cause"),
    [
        (UnsolvedFacts(3, 2.0, rise_adu=0.5, usual_radius_px=2.0), Unsolved.DARK),
        (UnsolvedFacts(3, 2.0, rise_adu=40.0), Unsolved.UNKNOWN),
        (UnsolvedFacts(3, 2.0, rise_adu=40.0, usual_radius_px=2.0), Unsolved.CLOUD),
        (UnsolvedFacts(3, float("nan"), rise_adu=40.0, usual_radius_px=2.0), Unsolved.CLOUD),
        (UnsolvedFacts(40, 9.0, rise_adu=40.0, usual_radius_px=2.0), Unsolved.FOCUS),
        (UnsolvedFacts(40, 2.0, 40.0, 400, 2.0), Unsolved.CLOUD),
        (UnsolvedFacts(300, 2.0, 40.0, 400, 2.0), Unsolved.MOUNT),
        (UnsolvedFacts(300, 2.0, 40.0, 400, 2.0, guide_dim=True), Unsolved.CLOUD),
        (UnsolvedFacts(300, 2.0, rise_adu=40.0), Unsolved.MOUNT),  # a wrong pixel size, too
    ],
)
def test_cloud_is_blamed_only_where_something_tells_it_from_the_rest(
    facts: UnsolvedFacts, cause: Unsolved
) -> None:
    found, text = why_unsolved(facts, 0.6)
    assert found is cause
    assert f"{facts.stars} stars" in text
