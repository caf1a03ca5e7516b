"""Every event's sentence: figures with their units, and nothing of the log's own names."""

import re
from datetime import UTC, datetime
from types import UnionType
from typing import get_args, get_origin
from zoneinfo import ZoneInfo

import pytest

from nightloom.telemetry import Event, all_events
from nightloom.telemetry import events as e
from nightloom.telemetry.figures import UNITS, duration, fill, readable, written
from nightloom.telemetry.words import SAID, Detail, detail_of, sentence

ODD = 17.0
"""Every number of the sample events: it must show with its unit, or not at all."""

SAMPLES = {"kind": "was late", "after": "gathering", "verdict": "moved", "cause": "cloud"}
DATES = {
    "night": "2026-11-10",
    "uid": "2026-11-10-0017",
    "uids": ["2026-11-10-0017"],
    "nights": ["2026-11-10"],
}
WITH_UNIT = re.compile(
    r"[−+]?\d[\d.]*( ± \d[\d.]*)?(″|′|°|″/s|″/px| (s|min|h|px|steps|steps/°C|°C|ADU|%|mag|MB|"
    r"frames?|subs?|stars|biases|darks|flats|attempts?|slews|times))(?!\w)"
)
DATED = re.compile(r"\d+ \w+ \d{4}|\d\d:\d\d UTC")
COUNTED = re.compile(r"(cycle |number |frame |sub |kept, )\d+|\d+( to| times its noise)")
"""Numbers that need no unit: it stands beside them what they count; a range ends with one."""


def sample(kind: type[Event], *, full: bool) -> Event:
    """An event with a value in every field, or in those only that it cannot be without."""
    fields = {
        name: value(name, field.annotation)
        for name, field in kind.model_fields.items()
        if full or field.is_required()
    }
    return kind.model_validate(fields)


def value(name: str, annotation: object) -> object:
    """Something that a field may hold."""
    if name in SAMPLES | DATES:
        return (SAMPLES | DATES)[name]
    if get_origin(annotation) is UnionType:
        return value(name, get_args(annotation)[0])
    if get_origin(annotation) is list:
        return [value("", get_args(annotation)[0])]
    if get_origin(annotation) is dict:
        return {"L": value("", get_args(annotation)[1])}
    known: dict[object, object] = {
        str: "Halfway",
        float: ODD,
        int: int(ODD),
        bool: True,
        datetime: datetime(2026, 11, 10, 17, 38, tzinfo=UTC),
    }
    return known[annotation]


@pytest.mark.parametrize("kind", all_events())
@pytest.mark.parametrize("full", [True, False])
def test_every_event_has_its_sentence_with_units_and_without_names_of_fields(
    kind: type[Event], full: bool
) -> None:
    told = sentence(sample(kind, full=full))
    assert told
    assert "_" not in told
    assert "{" not in told
    assert "[" not in told
    assert not full or "unknown" not in told
    assert not told.endswith((".", ":", ";", ","))
    bare = COUNTED.sub("", WITH_UNIT.sub("", DATED.sub("", told)))
    assert not re.search(r"\d", bare), told


def test_no_event_is_left_out_and_none_is_made_up() -> None:
    assert set(SAID) == set(all_events())


def test_warnings_and_errors_are_told_at_any_detail() -> None:
    for kind in all_events():
        if kind.level != "info":
            assert detail_of(sample(kind, full=True)) is Detail.MAIN


@pytest.mark.parametrize("unit", UNITS)
def test_every_unit_is_written(unit: str) -> None:
    assert written(ODD, unit).startswith(("17", "1 h", "+17", "100"))


@pytest.mark.parametrize(
    ("seconds", "told"),
    [(0.04, "0.0 s"), (9.96, "10 s"), (48.2, "48 s"), (119.6, "2 min"), (754.0, "13 min"),
     (7170.0, "2 h"), (12_000.0, "3 h 20 min")],
)  # fmt: skip
def test_a_time_says_what_matters(seconds: float, told: str) -> None:
    assert duration(seconds) == told


def test_a_part_without_a_figure_is_left_out() -> None:
    template = "{filter} kept[: {radius:px}][, {stars:+star}]"
    assert fill(template, {"filter": "B", "radius": 1.214, "stars": 1}) == "B kept: 1.21 px, 1 star"
    assert fill(template, {"filter": "B", "radius": None, "stars": 910}) == "B kept, 910 stars"


def test_times_are_utc_and_say_so_unless_the_reader_knows_the_zone() -> None:
    armed = e.NightArmed(night="2026-11-10", begins_utc=datetime(2026, 11, 10, 16, 42, tzinfo=UTC))
    assert sentence(armed) == "Waiting for the night of 10 November 2026, from 16:42 UTC"
    assert sentence(armed, ZoneInfo("Europe/Zurich")).endswith("from 17:42")


def test_names_of_the_protocol_are_made_readable() -> None:
    seen = "Mast: WEATHER_RAIN_HOUR is in alert at 5 mm/h, 98%"
    assert readable(seen) == "Mast: rain hour is in alert at 5 mm/h, 98 %"


def test_a_sub_that_is_kept() -> None:
    kept = e.FrameAccepted(
        uid="2026-11-10-0017", target="M33", filter="B", exposure_s=120.0, stars=910,
        half_flux_radius_px=1.2142, guide_rms_arcsec=0.5061, transparency=1.013,
    )  # fmt: skip
    assert sentence(kept) == (
        "B 120 s kept: star radius 1.21 px, 910 stars; guiding 0.51″ rms; starlight 100 %"
    )


LOOK = {"filter": "L", "reason": "stars grew by 5%", "growth_percent": 4.7, "took_s": 34.5}


@pytest.mark.parametrize(
    ("seen", "found"),
    [
        ({"verdict": "stayed", "moved": False, "estimate_steps": 1.2, "correction_steps": 0.0},
         "still sharp, +1 ± 0.7 steps off; no correction"),
        ({"verdict": "stayed", "moved": False, "estimate_steps": 3.7, "correction_steps": 3.7},
         "still sharp, +4 ± 0.7 steps off; corrected by +4 steps"),
        ({"verdict": "moved", "moved": True, "estimate_steps": -8.1, "correction_steps": -8.1,
          "direction": "inward"}, "it moved inward by 8 ± 0.7 steps; corrected by −8 steps"),
        ({"verdict": "unclear", "moved": False, "correction_steps": 0.0},
         "no clear answer; a curve follows"),
    ],
)  # fmt: skip
def test_a_look_at_the_focus_says_what_it_found(seen: dict[str, object], found: str) -> None:
    event = e.FocusChecked.model_validate(LOOK | {"error_steps": 0.7} | seen)
    assert sentence(event) == f"Focus looked at in L (stars grew by 5 %): {found}; in 34 s"


def test_light_that_came_back_during_a_sub_is_no_shortage_now() -> None:
    hold = e.CloudHold(
        star_fraction=1.02, cause="cloud", reason="0.62 of clear in 45 s of a sub, 1.02 now"
    )
    assert sentence(hold).startswith("Subs stop, by cloud: 0.62 of clear in 45 s of a sub")
