"""What the mount's hour angles leave of a night: windows, plans, crossings, and what is said."""

from dataclasses import replace
from datetime import UTC, date
from itertools import groupby
from typing import Any

import ephem
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom.schedule.costs import crossing_cost_s
from nightloom.schedule.meridian_limits import BRIDGED_S, EDGE_S, crossings, ranges_h, reach
from nightloom.schedule.outlook import outlook
from nightloom.schedule.windows import NightWindows
from nightloom.settings import Settings
from nightloom.settings.observatory import Mount
from nightloom.sky import Interval, altitude_azimuth, hour_angle_h
from schedule.outlooks import ANDROMEDA, LARKFOLD, settings_of, target, with_mount

NIGHT = date(2026, 11, 10)
SPAN = Interval(1794330000.0, 1794330000.0 + 11 * 3600.0)


def nothing(_: str) -> dict[str, float]:
    return {}


def mount(**table: Any) -> Mount:
    return Mount.model_validate({"device": "a mount", **table})


@settings(max_examples=60)
@given(
    st.tuples(st.floats(-11, -1), st.floats(-0.5, 1)),
    st.tuples(st.floats(-0.5, 1.5), st.floats(2, 11.5)),
    st.floats(-0.5, 1.9),
    st.floats(0, 359),
    st.floats(-80, 80),
)
def test_what_is_in_reach_has_an_hour_angle_that_a_side_allows(
    west_h: tuple[float, float],
    east_h: tuple[float, float],
    flip_after_h: float,
    ra_deg: float,
    dec_deg: float,
) -> None:
    table = mount(
        hour_angle_pier_west_h=west_h, hour_angle_pier_east_h=east_h, flip_after_h=flip_after_h
    )
    found = reach(table, LARKFOLD, (ra_deg, dec_deg), SPAN)
    for moment in SPAN.grid(900.0):
        angle_h = float(hour_angle_h(LARKFOLD, ra_deg, dec_deg, moment))
        edges = [edge for low, high in ranges_h(table) for edge in (low, high)]
        if min(abs(angle_h - edge) for edge in edges) < BRIDGED_S / 3600.0:
            continue
        allowed = any(low < angle_h < high for low, high in ranges_h(table))
        assert any(moment in one for one in found) == allowed


def test_a_fork_reaches_everything_and_never_crosses() -> None:
    fork = mount(needs_flip=False, hour_angle_pier_west_h=(-1.0, 0.1))
    assert reach(fork, LARKFOLD, (10.0, 41.0), SPAN) == [SPAN]
    assert crossings(fork, LARKFOLD, (10.0, 41.0), SPAN, 100.0) == []


def test_a_side_that_no_slew_leads_to_does_not_count() -> None:
    """A mount that goes east of its pier from an hour before the meridian is never west later."""
    table = mount(flip_after_h=-1.0, hour_angle_pier_west_h=(-0.5, 0.2))
    assert ranges_h(table) == [(-0.25, 6.0)]


def lacking_reach(**table: Any) -> Settings:
    return with_mount(settings_of(target("one", ANDROMEDA)), **table)


def test_where_neither_side_reaches_the_target_has_no_window() -> None:
    """M31 passes the meridian of the site at a time that PyEphem has to a minute."""
    said = lacking_reach(hour_angle_pier_west_h=(-4.0, -0.25), hour_angle_pier_east_h=(0.25, 3.0))
    night_windows, (one,) = NightWindows(said, NIGHT), said.targets.targets
    before, after = night_windows.windows(one)
    here = ephem.Observer()
    here.lat, here.lon, here.elevation, here.pressure = "47.1", "9.6", 820, 0
    here.date = "2026/11/10 17:00"
    star = ephem.readdb("M31,f|G,0:42:44.3,41:16:8,10,2000")
    transit_s = here.next_transit(star).datetime().replace(tzinfo=UTC).timestamp()
    sidereal = 0.99727  # of a clock's hour for an hour of hour angle (IAU 1982)
    assert before.end_unix_s == pytest.approx(transit_s - 900 * sidereal, abs=60)
    assert after.start_unix_s == pytest.approx(transit_s + 900 * sidereal + EDGE_S, abs=60)
    assert after.end_unix_s == pytest.approx(transit_s + 3 * 3600 * sidereal, abs=60)
    between, late = night_windows.out_of_reach(one)
    assert (between.start_unix_s, between.end_unix_s) == (before.end_unix_s, after.start_unix_s)
    assert late.start_unix_s == after.end_unix_s


def test_a_short_wait_between_the_sides_parts_no_window() -> None:
    """Three minutes: they are part of the crossing and of what it costs in the plan."""
    waits = {"hour_angle_pier_west_h": (-6.0, 0.0), "flip_after_h": 0.05}
    flips, waiting = (
        NightWindows(lacking_reach(), NIGHT),
        NightWindows(lacking_reach(**waits), NIGHT),
    )
    one = lacking_reach().targets.targets[0]
    assert len(waiting.windows(one)) == len(flips.windows(one)) == 1
    (short,), (long,) = flips.crossings(one), waiting.crossings(one)
    assert long.duration_s - short.duration_s == pytest.approx(180.0, abs=1.0)


def test_the_guards_floor_cuts_the_windows_too() -> None:
    said = settings_of(target("one", ANDROMEDA, altitude_floor_deg=10.0))
    safety = said.policies.safety.model_copy(update={"altitude_floor_deg": 40.0})
    strict = replace(said, policies=said.policies.model_copy(update={"safety": safety}))
    (one,) = said.targets.targets
    last = NightWindows(strict, NIGHT).windows(one)[-1]
    altitude_deg, _ = altitude_azimuth(LARKFOLD, one.ra_deg, one.dec_deg, last.end_unix_s)
    assert float(altitude_deg) == pytest.approx(40.0, abs=0.05)


def test_the_plan_fills_what_the_pier_leaves_with_another_target() -> None:
    other = target("two", {"ra_deg": 100.0, "dec_deg": 60.0}, priority=3)
    ranges = {"hour_angle_pier_west_h": (-6.0, -0.5), "hour_angle_pier_east_h": (0.5, 2.0)}
    said = with_mount(settings_of(target("one", ANDROMEDA), other), **ranges)
    night_windows = NightWindows(said, NIGHT)
    one = said.targets.targets[0]
    plan = night_windows.plan(night_windows.dark.start_unix_s, nothing, nothing)
    assert [name for name, _ in groupby(block.target for block in plan.blocks)] == [
        "one",
        "two",
        "one",
        "two",
    ]
    for block in plan.blocks:
        if block.target == "one":
            middle_s = (block.start_unix_s + block.end_unix_s) / 2
            assert any(middle_s in window for window in night_windows.windows(one))


def test_a_crossing_costs_its_time_in_the_plan() -> None:
    """Through the meridian a night brings less open seconds than it does with a fork."""
    flips, fork = lacking_reach(), lacking_reach(needs_flip=False)
    open_s = {}
    for name, said in (("flips", flips), ("fork", fork)):
        night_windows = NightWindows(said, NIGHT)
        seen = outlook(said, night_windows, nothing, nothing)
        dark = night_windows.dark
        assert dark.start_unix_s < night_windows.windows(said.targets.targets[0])[-1].end_unix_s
        open_s[name] = sum(block.open_s for block in seen.plan.blocks)
    cost_s = crossing_cost_s(flips)
    assert 60.0 < cost_s < 240.0
    assert 0.8 * cost_s < open_s["fork"] - open_s["flips"] <= cost_s


def test_nobody_goes_to_a_target_for_less_than_a_sub() -> None:
    """At half past one it is left; at twenty past, only a target that is running goes on."""
    said = settings_of(
        target("one", ANDROMEDA, until_utc="01:30", filter={"L": {"exposure_s": 480.0}})
    )
    night_windows = NightWindows(said, NIGHT)
    (window,) = night_windows.windows(said.targets.targets[0])
    late_s = window.end_unix_s - 600.0
    assert night_windows.plan(late_s, nothing, nothing).blocks == ()
    (block,) = night_windows.plan(late_s, nothing, nothing, "one").blocks
    assert block.end_unix_s == window.end_unix_s
    assert night_windows.plan(window.end_unix_s - 400.0, nothing, nothing, "one").blocks == ()
