"""The picture of a night: its words lie on nothing, and its curves tell the sky."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date
from functools import cache
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from drawing.boxes import SVG, Drawn, drawn, meetings
from nightloom.cli.outlook_picture import night_sheet
from nightloom.drawing.letters import width_px
from nightloom.drawing.svg import COLOURS, DASHES, MARKS, style
from nightloom.schedule.outlook import Outlook, outlook
from nightloom.schedule.windows import NightWindows
from nightloom.settings import Settings, demo_folder, read_settings
from nightloom.settings.targets import Target
from remote.browser import OVERLAPS, Browser

PLACES: Mapping[str, tuple[float, float, date]] = {
    "the demo's": (47.1, 9.6, date(2026, 11, 10)),
    "the south": (-33.0, 250.0, date(2026, 6, 14)),
    "the equator, at full Moon": (0.5, -78.0, date(2026, 11, 24)),
    "far north, a night of 17 h": (66.0, 25.0, date(2026, 12, 12)),
    "a summer's night of 2 h": (47.1, 9.6, date(2026, 6, 30)),
}
"""Latitude, longitude east, and night."""

NAMES = (
    "NGC 891", "M81", "NGC 1499", "IC 1396 and what is west of it", "WWWWWWWW WWWWWWW", "47 Tuc",
    "A name that is far longer than any sheet of paper is wide, and goes on and on to the very end",
    "M1", "B33", "M42",
)  # fmt: skip


@cache
def demo() -> Settings:
    return read_settings(demo_folder())


def settings_at(latitude_deg: float, longitude_deg: float, targets: int) -> Settings:
    """The demo's, elsewhere, with so many targets all over the sky; their groups by turns."""
    said = demo()
    asked = said.targets.targets
    all_over = [
        asked[number % len(asked)].model_copy(
            update={
                "name": NAMES[number],
                "ra": f"{(2 + 7 * number) % 24:02d}h10m00s",
                "dec": f"{(-1) ** number * (8 * number) % 90 - 20:+03d}d00m00s",
            }
        )
        for number in range(targets)
    ]
    one_by_one = [Target.model_validate(one.model_dump(exclude_unset=True)) for one in all_over]
    place = {"latitude_deg": latitude_deg, "longitude_deg": longitude_deg, "horizon": ()}
    site = said.observatory.site.model_copy(update=place)
    return replace(
        said,
        observatory=said.observatory.model_copy(update={"site": site}),
        targets=said.targets.model_copy(update={"targets": tuple(one_by_one)}),
    )


def looked(settings: Settings, night: date) -> Outlook:
    return outlook(settings, NightWindows(settings, night), lambda _: {}, lambda _: {})


def sheet_of(settings: Settings, night: date) -> Drawn:
    return drawn(night_sheet(settings.observatory, looked(settings, night)).file_text())


@pytest.mark.parametrize("targets", [1, 10])
@pytest.mark.parametrize("place", PLACES)
def test_words_lie_on_no_curve_and_on_no_other_words(place: str, targets: int) -> None:
    latitude_deg, longitude_deg, night = PLACES[place]
    sheet = sheet_of(settings_at(latitude_deg, longitude_deg, targets), night)
    assert len(sheet.curves) > 2 * targets
    assert list(meetings(sheet)) == []


def test_a_word_on_a_curve_would_be_found() -> None:
    """The test above is broken on purpose."""
    latitude_deg, longitude_deg, night = PLACES["the demo's"]
    settings = settings_at(latitude_deg, longitude_deg, 3)
    sheet = night_sheet(settings.observatory, looked(settings, night))
    sheet.text(200.0, 210.0, "in the midst of the curves, right across the picture", "middle")
    assert any("in the midst" in one for one in meetings(drawn(sheet.file_text())))


def test_it_says_what_night_and_where_and_what_each_filter_gets() -> None:
    settings, night = demo(), date(2026, 11, 10)
    said = [one.words.replace("\N{NO-BREAK SPACE}", " ") for one in sheet_of(settings, night).words]
    assert said[0] == "Night of 10 November 2026, Larkfold"
    assert said[2:4] == ["47.1° N, 9.6° E, 820 m", "Dark 17:38–04:34, 10.9 h, all times UTC."]
    seen = looked(settings, night)
    for name, one in seen.filters["NGC 891"].items():
        told = f"{name} {one.expected_s / 3600:.1f} h ({one.expected_worth_s / 3600:.1f})"
        assert any(told in line for line in said), told
    assert "Ha OIII SII: not planned tonight" in said


def test_the_curve_of_a_target_stands_where_the_sky_does() -> None:
    """NGC 891 (declination 42.35°) culminates at 90° less its distance from the zenith of 47.1°,
    and the first axis has its degrees where the words beside it say.
    """
    sheet = sheet_of(demo(), date(2026, 11, 10))
    ticks = {float(one.words): (one.top + one.bottom) / 2 for one in sheet.words[:40]
             if one.words in ("20", "80")}  # fmt: skip
    highest = min(float(points[:, 1].min()) for colour, points in sheet.curves
                  if colour == COLOURS[0] and len(points) > 100)  # fmt: skip
    assert np.interp(-highest, [-ticks[20.0], -ticks[80.0]], [20.0, 80.0]) <= 80.0
    degrees = 80.0 + (ticks[80.0] - highest) / (ticks[20.0] - ticks[80.0]) * 60.0
    assert degrees == pytest.approx(90.0 - (47.1 - 42.35), abs=0.8)


def test_styles_differ_without_colour() -> None:
    """Within seven by each of colour, mark and dash; within 49 by all three together."""
    several = [style(number) for number in range(49)]
    for seven in (several[first : first + 7] for first in range(0, 49, 7)):
        assert {one.colour for one in seven} == set(COLOURS)
        assert {one.dash for one in seven} == set(DASHES)
        assert {one.mark for one in seven} == set(MARKS)
    assert len(set(several)) == 49
    assert all(one != other for one, other in pairwise(several))


def test_it_is_svg_by_the_standard() -> None:
    """SVG 1.1, 5.1.2: the outermost element is svg in its namespace, with a size and a view box."""
    sheet = night_sheet(demo().observatory, looked(demo(), date(2026, 11, 10)))
    root = ElementTree.fromstring(sheet.file_text())
    assert root.tag == f"{SVG}svg"
    assert root.get("viewBox") == f"0 0 {root.get('width')} {root.get('height')}"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as browser:
        yield browser


@pytest.mark.parametrize(("width_px", "height_px"), [(390, 844), (1280, 900)])
def test_it_is_read_on_a_telephone_and_on_a_desk(
    browser: Browser, tmp_path: Path, width_px: int, height_px: int
) -> None:
    """With the letters that a browser has: none on a curve, none too small, none beyond the edge.

    A telephone shows a file that is no page as if its screen were 980 px wide, made smaller.
    """
    file, settings = tmp_path / "night.svg", settings_at(47.1, 9.6, 10)
    drawing = night_sheet(settings.observatory, looked(settings, date(2026, 11, 24)))
    file.write_text(drawing.file_text())
    browser.size(width_px, height_px)
    browser.open(file.as_uri())
    browser.until("document.readyState === 'complete' && document.querySelector('text')")
    assert browser.run(OVERLAPS) == []
    seen = width_px / browser.run("document.documentElement.scrollWidth")
    smallest = browser.run(
        "Math.min(...[...document.querySelectorAll('text')]"
        ".map((one) => one.getBoundingClientRect().height))"
    )
    assert smallest * seen >= 10.0
    assert browser.run("document.documentElement.getBoundingClientRect().right") <= width_px / seen


def test_words_are_no_wider_in_a_browser_than_they_are_taken_to_be(browser: Browser) -> None:
    """Each letter that names are made of, twenty times; and as bold ones."""
    browser.open("data:text/html,<canvas></canvas>")
    browser.until("document.querySelector('canvas')")
    letters = [chr(code) for code in range(32, 127)] + list("äéñøΔα°′″±·×–−…")
    for bold in (False, True):
        wide = browser.run(
            "(() => { const pen = document.querySelector('canvas').getContext('2d');"
            f" pen.font = '{'bold' if bold else ''} 13px system-ui, sans-serif';"
            f" return {json.dumps(letters)}.map((one) => pen.measureText(one.repeat(20)).width);"
            " })()"
        )
        for letter, width in zip(letters, wide, strict=True):
            assert width <= width_px(20 * letter, 13.0, bold=bold) + 1.0, letter
