"""What a night offers: windows under every condition, the plan, and what it should bring."""

from dataclasses import replace
from datetime import UTC, date, datetime
from math import cos, degrees, radians, sin
from typing import Any

import ephem
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.schedule.costs import move_cost_s
from nightloom.schedule.outlook import expected_s, outlook
from nightloom.schedule.windows import STEP_S, NightWindows, NoDarkness, darkness
from nightloom.settings import AskedSub, Settings, Target
from nightloom.sky import Interval, dark_hours, moon_altitude_azimuth
from schedule.outlooks import ANDROMEDA, LARKFOLD, LION, settings_of, target, tree_and_setting, utc

NIGHT = date(2026, 11, 10)
MOONLIT = date(2026, 11, 19)  # the Moon, three quarters lit, sets at 01:17 UTC


def nothing(_: str) -> dict[str, float]:
    return {}


def windows(said: Settings, night: date = NIGHT) -> list[tuple[Interval, ...]]:
    """Windows of each group of the first target."""
    first = said.targets.targets[0]
    night_windows = NightWindows(said, night)
    return [night_windows.group_windows(first, number) for number in range(len(first.groups))]


def grouped(**conditions: Any) -> Target:
    group = {"filter": {"Ha": {"exposure_s": 300.0}}, **conditions}
    return target("one", ANDROMEDA, group=(group,))


def test_a_target_behind_a_tree_and_one_that_sets_are_both_taken() -> None:
    """One is behind a tree until 01:00, one sets at 02:00 UTC: each has its own hours."""
    settings = tree_and_setting()
    night_windows = NightWindows(settings, NIGHT)
    lion, andromeda = settings.targets.targets
    assert night_windows.windows(lion)[0].start_unix_s == pytest.approx(utc(11, 1), abs=90)
    assert night_windows.windows(andromeda)[-1].end_unix_s == pytest.approx(utc(11, 2), abs=90)
    seen = outlook(settings, night_windows, nothing, nothing)
    first, second = seen.plan.blocks
    assert (first.target, second.target) == ("Andromeda", "Lion")
    assert utc(11, 1) < first.end_unix_s == second.start_unix_s <= utc(11, 2) + 90
    assert second.end_unix_s == pytest.approx(night_windows.dark.end_unix_s)


def test_moonlight_parts_the_groups() -> None:
    """Narrow filters while the Moon is up, broad ones when it is down, and no gap between."""
    settings = settings_of(
        target(
            "one",
            ANDROMEDA,
            group=(
                {"sky": ["dark"], "filter": {"R": {"exposure_s": 120.0}}},
                {"sky": ["moonlit"], "filter": {"Ha": {"exposure_s": 300.0}}},
            ),
        )
    )
    (down,), (up,) = windows(settings, MOONLIT)
    assert up.end_unix_s == down.start_unix_s
    altitude_deg, _ = moon_altitude_azimuth(LARKFOLD, up.end_unix_s)
    assert float(altitude_deg) == pytest.approx(-0.8333, abs=0.02)
    plan = NightWindows(settings, MOONLIT).plan(up.start_unix_s, nothing, nothing)
    assert [block.group for block in plan.blocks] == [1, 0]


def test_narrow_filters_in_twilight_or_moonlight_and_colour_otherwise() -> None:
    """Sun and Moon by another library, ephem, each minute of a night with both."""
    settings = settings_of(
        target(
            "one",
            ANDROMEDA,
            group=(
                {"sky": ["dark"], "filter": {"R": {"exposure_s": 120.0}}},
                {"sky": ["twilit", "moonlit"], "sun_altitude_deg": -12.0,
                 "filter": {"Ha": {"exposure_s": 300.0}}},
            ),
        )
    )  # fmt: skip
    colour, narrow = windows(settings, MOONLIT)
    here = ephem.Observer()
    here.lat, here.lon = radians(LARKFOLD.latitude_deg), radians(LARKFOLD.longitude_deg)
    here.elevation, here.pressure = LARKFOLD.elevation_m, 0
    dark = dark_hours(LARKFOLD, MOONLIT, -12.0)
    assert dark is not None
    for at_s in np.arange(dark.start_unix_s + 30.0, narrow[-1].end_unix_s, 60.0):
        here.date = datetime.fromtimestamp(float(at_s), UTC)
        sun, moon = ephem.Sun(here), ephem.Moon(here)
        lit = degrees(sun.alt) > -18.0 or degrees(moon.alt) > -0.8333
        near_edge = abs(degrees(sun.alt) + 18.0) < 0.05 or abs(degrees(moon.alt) + 0.8333) < 0.05
        seen = [any(float(at_s) in one for one in group) for group in (colour, narrow)]
        assert near_edge or seen == [not lit, lit]


def test_a_target_waits_for_a_sky_that_is_dim_enough() -> None:
    """Beside a Moon three quarters lit the sky is several times as bright as without it.

    Within 30° of such a Moon the published model gives 5 and more (Krisciunas & Schaefer, PASP
    103, 1033, 1991), and for a filter of 6 nm a sixteenth of what is above 1.
    """
    near = {"ra_deg": 0.0, "dec_deg": 10.0}
    free = windows(settings_of(target("one", near)), MOONLIT)
    dim = windows(settings_of(target("one", near, maximum_moonlight_ratio=3.0)), MOONLIT)
    loose = windows(settings_of(target("one", near, maximum_moonlight_ratio=50.0)), MOONLIT)
    assert not dim[0] or dim[0][0].start_unix_s > free[0][0].start_unix_s
    assert loose == free
    narrow = {"Ha": {"exposure_s": 300.0}}
    limited = target("one", near, filter=narrow, maximum_moonlight_ratio=3.0)
    assert windows(settings_of(limited), MOONLIT) == free


def test_a_group_may_begin_in_brighter_twilight() -> None:
    said = settings_of(grouped(sun_altitude_deg=-12.0))
    (group,) = windows(said)
    dark = dark_hours(LARKFOLD, NIGHT, -12.0)
    assert dark is not None
    assert group[0].start_unix_s == pytest.approx(dark.start_unix_s)
    assert darkness(said, NIGHT) == dark


def test_other_groups_wait_for_the_dark_of_the_policies() -> None:
    bright, plain = grouped(sun_altitude_deg=-12.0), target("two", ANDROMEDA)
    night_windows = NightWindows(settings_of(bright, plain), NIGHT)
    assert (
        night_windows.windows(plain)[0].start_unix_s > night_windows.windows(bright)[0].start_unix_s
    )


@pytest.mark.parametrize(("said", "moment"), [("23:00", utc(10, 23)), ("01:30:00", utc(11, 1, 30))])
def test_a_target_is_left_at_a_time_of_day(said: str, moment: float) -> None:
    (group,) = windows(settings_of(target("one", ANDROMEDA, until_utc=said)))
    assert group[-1].end_unix_s == moment


@pytest.mark.parametrize(
    ("said", "moment"),
    [({"from_utc": "22:15"}, utc(10, 22, 15)), ({"from_local": "00:30:00"}, utc(10, 23, 30))],
)
def test_a_target_is_not_begun_before_a_time_of_day(said: dict[str, str], moment: float) -> None:
    """Clocks at the demo observatory are an hour ahead of UTC in November."""
    settings = settings_of(target("one", ANDROMEDA, **said))
    (group,) = windows(settings)
    assert group[0].start_unix_s == moment
    night_windows = NightWindows(settings, NIGHT)
    plan = night_windows.plan(night_windows.dark.start_unix_s, nothing, nothing)
    assert plan.blocks[0].start_unix_s == moment


def test_times_by_two_clocks_bound_a_window() -> None:
    said = {"from_utc": "21:00", "until_local": "01:30"}
    (group,) = windows(settings_of(target("one", ANDROMEDA, **said)))
    assert group == (Interval(utc(10, 21), utc(11, 0, 30)),)


def test_a_filter_is_left_after_its_hours_of_a_night() -> None:
    """The other one goes on alone; what the night gave before counts, what other nights did not."""
    filters = {
        "L": {"exposure_s": 120.0, "maximum_hours": 1.0},
        "R": {"exposure_s": 120.0, "wanted_hours": 3.0},
    }
    settings = settings_of(target("one", ANDROMEDA, filter=filters))
    night_windows = NightWindows(settings, NIGHT)
    old = {"L": 7200.0, "R": 1800.0}
    seen = outlook(settings, night_windows, lambda _: old, lambda _: {"L": 600.0}).filters["one"]
    assert seen["L"].expected_s == pytest.approx(3000.0)
    assert seen["R"].expected_s == pytest.approx(9000.0)
    full = night_windows.plan(
        night_windows.dark.start_unix_s, lambda _: {"R": 10800.0}, lambda _: {"L": 3600.0}
    )
    assert full.blocks == ()


def test_what_is_nearly_complete_is_completed() -> None:
    """It lacks 40 min, which do not pay for the way there unless it is to be finished first."""
    wants = {"L": {"exposure_s": 120.0, "wanted_hours": 3.0}}
    settings = settings_of(target("fresh", ANDROMEDA), target("nearly", ANDROMEDA, filter=wants))
    accepted = {"fresh": {}, "nearly": {"L": 3 * 3600.0 - 2400.0}}
    for hours, gained_s in ((0.0, 0.0), (0.6, 0.0), (0.7, 2400.0)):
        plan_policy = settings.policies.plan.model_copy(update={"finish_first_hours": hours})
        policies = settings.policies.model_copy(update={"plan": plan_policy})
        said = replace(settings, policies=policies)
        seen = outlook(said, NightWindows(said, NIGHT), accepted.__getitem__, nothing)
        assert seen.filters["nearly"]["L"].expected_s == pytest.approx(gained_s)


def test_a_target_is_left_after_its_hours_of_a_night() -> None:
    settings = settings_of(target("one", ANDROMEDA, maximum_hours=2.0), target("two", LION))
    night_windows = NightWindows(settings, NIGHT)
    seen = outlook(settings, night_windows, nothing, nothing)
    assert sum(one.expected_s for one in seen.filters["one"].values()) == pytest.approx(7200)
    spent = night_windows.plan(night_windows.dark.start_unix_s, nothing, lambda _: {"L": 7200.0})
    assert {block.target for block in spent.blocks} == {"two"}


def test_a_target_that_has_all_it_wanted_is_left_out() -> None:
    wants = {"L": {"exposure_s": 120.0, "wanted_hours": 3.0}}
    other = target("two", ANDROMEDA, priority=2)
    settings = settings_of(target("one", ANDROMEDA, filter=wants), other)
    night_windows = NightWindows(settings, NIGHT)
    tally = {"one": {"L": 3.0 * 3600}, "two": {}}
    plan = night_windows.plan(night_windows.dark.start_unix_s, tally.__getitem__, nothing)
    assert {block.target for block in plan.blocks} == {"two"}
    missing = outlook(settings, night_windows, nothing, nothing).filters["one"]["L"]
    assert missing.wanted_s == 10800.0
    assert missing.missing_s == pytest.approx(0.0, abs=STEP_S)


def test_what_the_night_cannot_give_is_missing_afterwards() -> None:
    wants = {"L": {"exposure_s": 120.0, "wanted_hours": 50.0}}
    settings = settings_of(target("one", ANDROMEDA, filter=wants))
    night_windows = NightWindows(settings, NIGHT)
    seen = outlook(settings, night_windows, lambda _: {"L": 3600.0}, nothing).filters["one"]["L"]
    assert seen.expected_s < sum(window.duration_s for window in windows(settings)[0])
    assert seen.missing_s == pytest.approx(50 * 3600 - 3600 - seen.expected_s)


def test_a_night_that_is_never_dark_enough_is_refused() -> None:
    """At 47.1° the midsummer Sun sinks to −19.5° only, so −20° never comes."""
    settings = settings_of(target("one", ANDROMEDA))
    deep = settings.policies.dark.model_copy(update={"sun_altitude_deg": -20.0})
    policies = settings.policies.model_copy(update={"dark": deep})
    with pytest.raises(NoDarkness, match="does not sink below -20"):
        NightWindows(replace(settings, policies=policies), date(2026, 6, 21))


def test_the_move_between_targets_takes_minutes() -> None:
    """Two to five minutes for slew, centring, guiding and a focus curve (common practice)."""
    assert 120 < move_cost_s(settings_of(target("one", ANDROMEDA))) < 300


subs = st.builds(
    AskedSub,
    share=st.integers(1, 4),
    exposure_s=st.sampled_from([60.0, 300.0]),
    wanted_hours=st.one_of(st.none(), st.floats(0.1, 5)),
)


@given(st.dictionaries(st.sampled_from("LRGB"), subs, min_size=1), st.floats(0, 40000))
def test_expected_seconds_are_shared_out_and_stop_at_the_wish(
    filters: dict[str, AskedSub], open_s: float
) -> None:
    gained = expected_s(filters, {}, open_s)
    wishes = {n: (s.wanted_hours or 1e9) * 3600 for n, s in filters.items()}
    assert all(gained[name] <= wish * (1 + 1e-9) for name, wish in wishes.items())
    assert sum(gained.values()) == pytest.approx(min(open_s, sum(wishes.values())), rel=1e-6)
    going = [name for name, wish in wishes.items() if gained[name] < wish * (1 - 1e-6)]
    cycles = {
        name: gained[name] / (filters[name].share * filters[name].exposure_s) for name in going
    }
    assert not cycles or max(cycles.values()) == pytest.approx(min(cycles.values()), rel=1e-6)


def test_a_span_of_three_hours_gives_three_equal_filters_an_hour_each() -> None:
    """Common practice, no source."""
    filters = {name: AskedSub(exposure_s=120.0) for name in "RGB"}
    assert expected_s(filters, {}, 3 * 3600.0) == dict.fromkeys("RGB", pytest.approx(3600.0))


def test_what_a_second_is_worth_by_air_alone() -> None:
    """On a moonless night, by hand: at airmass X the light is 10^(−0.4 · 0.172 (X − 1)) of the
    zenith's, squared; the sky by Krisciunas & Schaefer 1991, equation 2; a star's area X^1.2.
    """
    seen = NightWindows(settings_of(target("M31", ANDROMEDA)), NIGHT)
    high, low = (Interval(at_s, at_s + 60.0) for at_s in (utc(10, 20), utc(11, 2)))
    for within in (high, low):
        zenith_deg = 90.0 - float(seen.table.altitude_azimuth("M31", within.start_unix_s)[0])
        air = 1.0 / cos(radians(zenith_deg))
        scattered = (1.0 - 0.96 * sin(radians(zenith_deg)) ** 2) ** -0.5
        sky = 10.0 ** (-0.4 * 0.172 * (scattered - 1.0)) * scattered
        by_hand = 10.0 ** (-0.8 * 0.172 * (air - 1.0)) / sky / air**1.2
        assert seen.worth_part("M31", 0, within) == pytest.approx(by_hand, rel=0.03)
    assert seen.worth_part("M31", 0, high) > 2.0 * seen.worth_part("M31", 0, low)


def test_the_full_moon_makes_a_second_worth_a_fraction() -> None:
    dark, bright = (
        NightWindows(settings_of(target("M31", ANDROMEDA)), date(2026, 11, day)) for day in (10, 24)
    )
    within = Interval(utc(10, 20), utc(10, 20, 30))
    later = Interval(utc(24, 19), utc(24, 19, 30))
    assert bright.worth_part("M31", 0, later) < 0.5 * dark.worth_part("M31", 0, within)
