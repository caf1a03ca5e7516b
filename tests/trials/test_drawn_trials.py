"""What seeds draw: valid observatories of all kinds, and the same one each time."""

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom.rehearsal import TROUBLES
from nightloom.sky import Interval, altitude_azimuth
from nightloom.trials import Trial, trial_of
from nightloom.trials.asking import asked
from nightloom.trials.trial import troubles_of
from nightloom_drivers.sent import Sent

SEEDS = range(1000, 1050)


@pytest.fixture(scope="module")
def drawn() -> list[Trial]:
    return [trial_of(seed) for seed in SEEDS]


def test_a_seed_draws_the_same_trial_each_time() -> None:
    assert trial_of(7) == trial_of(7)
    assert trial_of(7) != trial_of(8)
    assert trial_of(7).settings != trial_of(7, Sent.PIXELS).settings


def test_places_are_all_over_the_earth(drawn: list[Trial]) -> None:
    sites = [trial.settings.observatory.site for trial in drawn]
    latitudes = [site.latitude_deg for site in sites]
    assert min(latitudes) < -55 < 55 < max(latitudes)
    assert sum(latitude < 0 for latitude in latitudes) > len(sites) // 4
    assert sum(abs(site.longitude_deg) > 174.0 for site in sites) >= 4, "about the date line"


def test_rigs_are_of_all_sizes_and_their_owners_err(drawn: list[Trial]) -> None:
    sizes = {trial.rig.sensor.width_px * trial.rig.sensor.height_px / 1e6 for trial in drawn}
    assert min(sizes) < 2.5
    assert max(sizes) > 60
    ratios = [trial.rig.optics.focal_ratio for trial in drawn]
    assert min(ratios) < 3.5
    assert max(ratios) > 8.5
    wrong = [
        one.focus_offset_steps - trial.settings.observatory.filters[one.name].offset_steps
        for trial in drawn
        for one in trial.rig.wheel.filters
    ]
    assert np.std(wrong) > 0.5


def test_pictures_are_drawn_on_small_sensors_only() -> None:
    for seed in range(5):
        rig = trial_of(seed, Sent.PIXELS).rig
        assert rig.sensor.width_px * rig.sensor.height_px < 1e6


def test_each_target_is_high_up_at_some_time_of_the_night(drawn: list[Trial]) -> None:
    for trial in drawn[:20]:
        dark = trial.rehearsal_dark()
        times = np.linspace(dark.start_unix_s, dark.end_unix_s, 40)
        for target in trial.settings.targets.targets:
            place = trial.settings.observatory.site.place
            altitude, _ = altitude_azimuth(place, target.ra_deg, target.dec_deg, times)
            assert altitude.max() > 38.0, trial.seed


def test_each_kind_of_trouble_comes() -> None:
    """Each trouble is as likely as another, so that none of 60 fails to come in 2,000 (e^-33)."""
    chance, span = np.random.default_rng(1), Interval(1e9, 1e9 + 7200.0)
    comings = [one for _ in range(1400) for one in troubles_of(chance, span)]
    assert {one.trouble.name for one in comings} == {trouble.name for trouble in TROUBLES}
    for one in comings:
        assert one.at_s == span.start_unix_s or not one.trouble.at_dusk
        assert span.start_unix_s <= one.at_s <= span.end_unix_s
    persons = {one.kind for _ in range(200) for one in asked(chance, span, ["A"])}
    assert persons == {"person-pause", "person-resume", "person-skip", "person-retire"}


def test_some_nights_have_next_to_no_trouble_and_some_have_several(drawn: list[Trial]) -> None:
    numbers = Counter(len(trial.kinds) for trial in drawn)
    assert min(numbers) <= 1
    assert max(numbers) > 3


@settings(max_examples=50)
@given(st.integers(0, 2**32), st.floats(60.0, 40_000.0))
def test_persons_ask_within_the_night_and_end_what_they_begin(seed: int, lasts_s: float) -> None:
    span = Interval(1e9, 1e9 + lasts_s)
    asking = asked(np.random.default_rng(seed), span, ["A", "B"])
    kinds = [one.kind for one in asking]
    assert kinds.count("person-pause") == kinds.count("person-resume")
    assert [one.at_s for one in asking] == sorted(one.at_s for one in asking)
    assert all(span.start_unix_s <= one.at_s <= span.end_unix_s + 3600.0 for one in asking)
