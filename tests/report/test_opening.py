"""What is said first, of nights made up to have it said."""

from dataclasses import replace
from datetime import UTC, timedelta, timezone

import pytest

from nightloom.report.minutes import minutes
from nightloom.report.opening import opening, sentences
from nightloom.report.records import (
    Backlash,
    Exposure,
    Fate,
    FilterFacts,
    FilterRow,
    Night,
    Stay,
    Told,
)
from nightloom.sky import Interval

HOUR_S = 3600.0
BEGINS_S = 1794330000.0
"""2026-11-10, 17:00 UTC."""

DARK = Interval(BEGINS_S, BEGINS_S + 8 * HOUR_S)
NIGHT = Night("2026-11-10", "somewhere", "", DARK, stays=(Stay("gathering", DARK),))


def subs(hours: float, fate: Fate = Fate.KEPT) -> tuple[Exposure, ...]:
    span = Interval(BEGINS_S, BEGINS_S + hours * HOUR_S)
    return (Exposure("a", "M81", "L", span.duration_s, span, fate),)


def row(name: str, all_s: float, cycle_s: float = 600.0) -> FilterRow:
    return FilterRow(name, all_s, all_s, None, 0.25, cycle_s, 10, 0)


def said(night: Night) -> list[str]:
    return opening(night, minutes(night))


def test_what_was_kept_of_what_was_clear_comes_first() -> None:
    cloud = Stay("holding", Interval(BEGINS_S + 5.75 * HOUR_S, BEGINS_S + 6.75 * HOUR_S))
    night = replace(NIGHT, subs=subs(5.2), stays=(*NIGHT.stays, cloud))
    assert said(night) == ["5.2 h kept of 7.0 h clear", "60 min of cloud from 22:45"]


def test_times_are_the_sites() -> None:
    cloud = Stay("holding", Interval(BEGINS_S + 4 * HOUR_S, BEGINS_S + 6 * HOUR_S))
    night = replace(NIGHT, stays=(cloud,))
    east = timezone(timedelta(hours=1))
    assert "2.0 h of cloud from 22:00" in opening(night, minutes(night), east)


def test_a_short_cloud_is_not_worth_a_word_and_many_are_told_together() -> None:
    def clouds(length_s: float, number: int) -> Night:
        starts = [BEGINS_S + HOUR_S * (1 + one) for one in range(number)]
        stays = tuple(Stay("holding", Interval(at_s, at_s + length_s)) for at_s in starts)
        return replace(NIGHT, subs=subs(0.5), stays=stays)

    assert not any("cloud" in clause for clause in said(clouds(300.0, 2)))
    assert "100 min of cloud, in 5 parts" not in said(clouds(1200.0, 4))
    assert "80 min of cloud, in 4 parts" in said(clouds(1200.0, 4))


def test_even_filters_are_one_word_and_one_that_lags_is_named() -> None:
    even = [row("L", 3600.0), row("R", 3600.0), row("B", 3300.0)]
    night = replace(NIGHT, subs=subs(3.0), targets={"M81": tuple(even)})
    assert "L, R and B even" in said(night)
    lagging = [row("L", 3600.0), row("R", 3600.0), row("B", 600.0)]
    night = replace(night, targets={"M81": tuple(lagging)})
    assert "B is 3.3 cycles behind" in said(night)


def test_an_old_tally_counts_beside_tonights() -> None:
    """What matters in the morning is what the target has: tonight may have made up for a lack."""
    rows = (row("L", 7200.0), replace(row("R", 7200.0), tonight_s=5000.0))
    assert "L and R even" in said(replace(NIGHT, subs=subs(3.0), targets={"M81": rows}))


def test_what_focus_taught_is_told_against_what_was_configured() -> None:
    facts = FilterFacts("B", 455.0, 100.0, -30.0, -12.0, 1.0, "good", 30.0)
    night = replace(NIGHT, subs=subs(3.0), filters={"B": facts}, backlash=Backlash(0, 203.4, 5.0))
    assert said(night)[1:] == [
        "the focuser's backlash looks like 203 steps, you configured 0",
        "the focus offset of B looks like -12 steps, you configured -30",
    ]
    thin = replace(night, filters={"B": replace(facts, trust="thin")}, backlash=None)
    assert len(said(thin)) == 1


def test_a_rig_that_may_not_be_safe_goes_before_everything() -> None:
    told = (Told(BEGINS_S + HOUR_S, "error", "person_needed", "Somebody must look"),)
    night = replace(NIGHT, subs=subs(3.0), told=told, ended=False)
    assert said(night)[0] == "somebody was called to the rig at 18:00"
    assert "look at it" in said(night)[1]


@pytest.mark.parametrize(
    ("phase", "words"),
    [
        ("sheltering", "nothing was clear of 8.0 h of dark"),
        ("readying", "nothing was kept of 8.0 h of clear dark"),
    ],
)
def test_a_night_without_a_frame_says_so(phase: str, words: str) -> None:
    night = replace(NIGHT, stays=(Stay(phase, DARK),))
    assert sentences(opening(night, minutes(night), UTC)).startswith(words.capitalize())
