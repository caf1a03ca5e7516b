"""A log told to a person: the site's time, what is told at which detail, what is not said twice."""

import json
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from nightloom.telemetry import Event
from nightloom.telemetry import events as e
from nightloom.telemetry.line import as_json, plain, utc_text
from nightloom.telemetry.narrator import Narrator, Wanted
from nightloom.telemetry.words import Detail

ZURICH = "Europe/Zurich"
BEGUN = e.NightBegun(night="2026-11-10", observatory="Terrace", time_zone=ZURICH)
ROOF = e.RoofOpened(took_s=30.0)
SUB = e.SubBegun(target="M33", filter="B", exposure_s=120.0, uid="2026-11-10-0001", cycle=1)
KEPT = e.FrameAccepted(uid=SUB.uid, target="M33", filter="B", exposure_s=120.0)
BAD = e.FrameRejected(uid=SUB.uid, target="M33", filter="B", exposure_s=120.0, reason="blurred")
UNSAFE = e.WeatherUnsafe(reasons=["rain"])
LATE = e.DeviceTrouble(
    device="Cam", kind="was late", property_name="X", asked="a light", seen="nothing in 20 s"
)


def line(event: Event, utc: str = "2026-11-10T17:38:05Z") -> str:
    head = {
        "utc": utc_text(datetime.fromisoformat(utc)),
        "event": event.name(),
        "level": event.level,
    }
    return as_json(head | {key: plain(key, value) for key, value in event.fields().items()})


def told(narrator: Narrator, *lines: str) -> list[str]:
    return [
        f"{one.time} {one.mark.strip()}|{one.text}" for text in lines for one in narrator.told(text)
    ]


def test_times_are_the_site_s_and_their_zone_is_named_once() -> None:
    lines = line(BEGUN), line(ROOF), line(ROOF, "2026-11-10T23:00:00Z")
    assert told(Narrator(Wanted()), *lines) == [
        " |10 November 2026, times in Europe/Zurich (CET, UTC+1)",
        "18:38 |The night of 10 November 2026 begins at Terrace",
        "18:38 |Roof open, after 30 s",
        " |11 November 2026",
        "00:00 |Roof open, after 30 s",
    ]


def test_utc_on_request() -> None:
    assert told(Narrator(Wanted(), UTC, fixed=True), line(BEGUN), line(ROOF))[::2] == [
        " |10 November 2026, times in UTC",
        "17:38 |Roof open, after 30 s",
    ]


def test_the_zone_is_named_again_when_clocks_are_put_back() -> None:
    """On 25 October 2026 at 01:00 UTC, by EU Directive 2000/84/EC (its last Sunday)."""
    lines = line(ROOF, "2026-10-25T00:59:59Z"), line(ROOF, "2026-10-25T01:00:00Z")
    assert told(Narrator(Wanted(), ZoneInfo(ZURICH)), *lines) == [
        " |25 October 2026, times in Europe/Zurich (CEST, UTC+2)",
        "02:59 |Roof open, after 30 s",
        " |25 October 2026, times in Europe/Zurich (CET, UTC+1)",
        "02:00 |Roof open, after 30 s",
    ]


@pytest.mark.parametrize(
    ("detail", "said"),
    [
        (Detail.MAIN, ["roof", "rejected"]),
        (Detail.SUBS, ["roof", "kept", "rejected"]),
        (Detail.ALL, ["begun", "roof", "kept", "rejected"]),
    ],
)
def test_three_levels_of_detail_each_hold_the_one_before(detail: Detail, said: list[str]) -> None:
    lines = told(Narrator(Wanted(detail), UTC), *map(line, (SUB, ROOF, KEPT, BAD)))[1:]
    assert len(lines) == len(said)
    assert all(word in one.lower() for word, one in zip(said, lines, strict=True))


def test_seconds_are_told_where_everything_is() -> None:
    assert told(Narrator(Wanted(Detail.ALL), UTC), line(ROOF))[1].startswith("17:38:05 |")


@pytest.mark.parametrize(
    ("wanted", "count"),
    [
        (Wanted(events=frozenset({"sub_begun"})), 1),
        (Wanted(targets=frozenset({"M33"})), 2),
        (Wanted(targets=frozenset({"M81"})), 0),
        (Wanted(level="warning"), 1),
        (Wanted(level="error"), 0),
        (Wanted(level="warning", targets=frozenset({"M81"})), 0),
    ],
)
def test_filters_are_joined(wanted: Wanted, count: int) -> None:
    lines = told(Narrator(wanted, UTC), *map(line, (SUB, ROOF, KEPT, BAD)))
    assert len([one for one in lines if not one.startswith(" |")]) == count


def test_marks_tell_warnings_and_errors_without_colour() -> None:
    person = e.PersonNeeded(reason="the roof stays open")
    lines = told(Narrator(Wanted(), UTC), *map(line, (ROOF, BAD, person)))[1:]
    assert [one.split("|")[0] for one in lines] == ["17:38 ", "17:38 !", "17:38 !!"]


def test_a_reason_is_not_told_twice() -> None:
    rain = e.PhaseChanged(before="gathering", after="sheltering", reason="rain")
    camera = e.PhaseChanged(
        before="gathering",
        after="readying",
        reason="Cam was late: X asked a light, nothing in 20 s",
    )
    lines = told(Narrator(Wanted(), UTC), *map(line, (UNSAFE, rain, LATE, camera)))
    assert [one.partition("|")[2] for one in lines[1:]] == [
        "Unsafe weather: rain",
        "Parking and closing for shelter",
        "Cam was late; asked: a light; seen: nothing in 20 s",
        "Making the rig ready",
    ]
    assert told(Narrator(Wanted(), UTC), line(rain))[1].endswith("for shelter: rain")


def test_an_event_of_another_version_is_told_as_it_is() -> None:
    new = {"utc": "2026-11-10T17:38:05Z", "event": "dome_turned", "level": "warning", "to_deg": 4}
    less = new | {"event": "roof_opened", "level": "warning"}
    more = new | {"event": "roof_closed", "level": "info", "took_s": 30.0}
    lines = told(Narrator(Wanted(), UTC), *map(json.dumps, (new, less, more)))
    assert [one.partition("|")[2] for one in lines[1:]] == [
        "dome turned; to deg: 4",
        "roof opened; to deg: 4",
        "Roof closed, after 30 s",
    ]


def test_a_line_that_is_no_event_is_shown_unless_something_else_is_sought() -> None:
    assert told(Narrator(Wanted()), "[torn") == [" |[torn"]
    assert told(Narrator(Wanted(level="warning")), "[torn") == []
