"""The report of one night of trouble: its figures, its pictures, its page, and who writes it."""

import asyncio
import json
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from typing import Any

import astroalign
import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from PIL import Image

from drawing.boxes import drawn, meetings
from nightloom.cli import main
from nightloom.cli import report as command
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.report import Sources, findings, report_file
from nightloom.report.combining import between
from nightloom.report.findings import Findings
from nightloom.report.minutes import Use
from nightloom.report.morning import Mornings, unreported
from nightloom.report.page import page
from nightloom.report.pictures import SIDE_PX_MAX, pictures_of
from nightloom.report.records import Fate
from nightloom.settings import Settings
from nightloom.small_picture import small, step_of
from nightloom.telemetry import Event, Log
from nightloom.telemetry import events as e
from nightloom.telemetry.nights import log_file
from nightloom_drivers.clock import WallClock
from remote.browser import OVERLAPS, Browser
from report.night import Lived, lived
from report.test_minutes import spent_to_the_second

PHONE, DESK = (390, 844), (1280, 900)


@dataclass(frozen=True)
class Morning:
    """A night that went by, what the report finds in it, and its file."""

    night: Lived
    sources: Sources
    found: Findings
    file: Path


@pytest.fixture(scope="module")
def morning(tmp_path_factory: pytest.TempPathFactory) -> Morning:
    """The night as a daemon keeps it: log, ledger and frames in one output folder."""
    out = tmp_path_factory.mktemp("night") / "out"
    night = lived(out)
    rehearsal = night.rehearsal
    settings = kept_in(rehearsal.settings, out)
    log = log_file(out, rehearsal.night)
    log.parent.mkdir()
    shutil.copy(rehearsal.log_file, log)
    sources = Sources.under(settings, rehearsal.night, log)
    file, found = out / "report.html", findings(sources)
    file.write_text(page(found), encoding="utf-8")
    return Morning(night, sources, found, file)


def kept_in(settings: Settings, out: Path) -> Settings:
    """The settings with another output folder."""
    observatory = settings.observatory.model_copy(update={"output_folder": out})
    return replace(settings, observatory=observatory)


# What it finds ------------------------------------------------------------------------------------


def test_the_night_was_one_of_trouble(morning: Morning) -> None:
    """A cloud, a fault, a target taken up again beyond the meridian, and a rejected frame: else the
    tests below show nothing.
    """
    seconds = morning.found.spent.seconds()
    assert {Use.HOLDING, Use.FAULT, Use.REJECTED} <= seconds.keys()


def test_the_night_is_spent_to_the_second(morning: Morning) -> None:
    spent_to_the_second(morning.night, morning.found)


def test_the_least_gaps_are_less_than_those_there_were(morning: Morning) -> None:
    seconds, least_s = morning.found.spent.seconds(), morning.found.night.least_gap_s
    gaps = (Use.DITHER, Use.CHANGE, Use.DOWNLOAD, Use.REST)
    assert least_s is not None
    assert 0.0 < least_s < sum(seconds[use] for use in gaps)


def test_filters_saw_the_same_sky_better_than_blocks_would_have(morning: Morning) -> None:
    spreads = {one.quantity.name: one for one in morning.found.spreads["NGC 891"]}
    names = ["airmass", "star size", "transparency", "sky background", "gradient"]
    assert list(spreads) == names
    for name in ("airmass", "star size", "sky background"):
        assert spreads[name].woven < 0.5 * spreads[name].blocks


def test_pictures_show_every_accepted_frame_and_the_colours(morning: Morning) -> None:
    shown = morning.found.pictures.targets["NGC 891"]
    subs = morning.found.night.subs
    assert [one.name for one in shown] == ["L", "R", "G", "B", "L R G B in colour"]
    for one in shown[:4]:
        assert one.frames == sum(sub.kept for sub in subs if sub.filter == one.name)
    with Image.open(BytesIO(shown[-1].png)) as picture:
        assert (picture.mode, picture.size) == ("RGB", (640, 480))
    assert set(morning.found.pictures.rejected) == {
        sub.uid for sub in subs if sub.fate is Fate.REJECTED
    }
    assert morning.found.pictures.unread == {}


def test_frames_are_registered_as_their_stars_are(morning: Morning) -> None:
    """Astroalign (Beroiz, Cabral & Sanchez 2020, Astronomy and Computing 32, 100384) matches the
    stars themselves, before and after the meridian: within half a pixel of the coordinates.
    """
    kept = [sub for sub in morning.found.night.subs if sub.kept and sub.filter == "L"]
    frames = []
    for sub in (kept[0], kept[3], kept[-1]):
        with fits.open(morning.sources.frames / sub.path) as opened:
            frames.append((WCS(opened[0].header), opened[0].data.astype(np.float32)))
    (reference, first), *others = frames
    step = step_of(first.shape, SIDE_PX_MAX)
    corners = np.array([[80.0, 60.0], [560.0, 80.0], [100.0, 420.0], [540.0, 400.0]])
    turned = []
    for wcs, data in others:
        found, _ = astroalign.find_transform(first - np.median(first), data - np.median(data))
        rows, columns = first.shape
        affine = between(reference, wcs, (rows // step, columns // step), step)
        there = corners[:, ::-1] @ affine.matrix.T + affine.offset
        assert there[:, ::-1] == pytest.approx(found(corners), abs=0.5)
        turned.append(affine.matrix[0, 0] < 0.0)
    assert turned == [False, True]


def test_a_frame_that_cannot_be_read_is_told_of_and_left_out(
    morning: Morning, tmp_path: Path
) -> None:
    """Of three frames one is no frame, and all others are gone."""
    kept = [sub for sub in morning.found.night.subs if sub.kept]
    for sub in kept[:3]:
        file = tmp_path / sub.path
        file.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(morning.sources.frames / sub.path, file)
    (tmp_path / kept[1].path).write_bytes(b"no frame")
    pictures = pictures_of(tmp_path, morning.found.night.subs, morning.found.night.filters)
    shown = pictures.targets["NGC 891"]
    assert [(one.name, one.frames) for one in shown] == [(kept[0].filter, 1), (kept[2].filter, 1)]
    assert {sub.uid for sub in kept[3:]} <= pictures.unread.keys()
    assert kept[1].uid in pictures.unread


def test_a_small_picture_of_a_large_frame_is_made_by_strips(tmp_path: Path) -> None:
    """However large: no more of the frame than a strip is asked for at a time."""

    class Large:
        shape = (4176, 6248)

        def __init__(self) -> None:
            self.most = 0

        def __getitem__(self, rows: slice) -> Any:
            self.most = max(self.most, rows.stop - rows.start)
            return np.full((rows.stop - rows.start, self.shape[1]), 7, np.uint16)

    frame = Large()
    made = small(frame, SIDE_PX_MAX)
    assert max(made.shape) <= SIDE_PX_MAX
    assert np.all(made == 7.0)
    assert frame.most * frame.shape[1] < 1_000_000


# The page -----------------------------------------------------------------------------------------


class Outside(HTMLParser):
    """What a page takes from elsewhere, and scripts in it."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "link", "iframe", "object"):
            self.found.append(tag)
        for name, value in attrs:
            if name in ("src", "href", "srcset") and not (value or "").startswith("data:"):
                self.found.append(f"{tag} {name}={value}")


def test_the_page_needs_nothing_else(morning: Morning) -> None:
    text = morning.file.read_text()
    outside = Outside()
    outside.feed(text)
    assert outside.found == []
    assert "url(" not in text
    assert "@import" not in text
    assert list(morning.file.parent.glob("*.partial")) == []


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as browser:
        yield browser


WIDE = """[...document.querySelectorAll('body *')]
  .filter((one) => one.getBoundingClientRect().right > window.innerWidth + 0.5)
  .map((one) => `${one.tagName} ${one.textContent.slice(0, 40)}`)"""

LETTERS = """Math.min(...[...document.querySelectorAll('svg text')]
  .map((one) => one.getBoundingClientRect().height))"""


@pytest.mark.parametrize(("width_px", "height_px"), [PHONE, DESK])
def test_the_page_is_read_on_a_telephone_and_on_a_desk(
    morning: Morning, browser: Browser, width_px: int, height_px: int
) -> None:
    browser.size(width_px, height_px)
    browser.open(morning.file.as_uri())
    browser.until("document.readyState === 'complete' && document.querySelector('h2')")
    assert browser.run("document.documentElement.scrollWidth") == width_px
    assert browser.run(WIDE) == []
    assert browser.run(OVERLAPS) == []
    assert browser.run("document.querySelectorAll('svg').length") > 15
    assert browser.run("[...document.images].every((one) => one.naturalWidth > 0)")
    assert browser.run(LETTERS) >= 11.0
    assert browser.complaints == []


def test_the_page_tells_what_the_night_came_to(morning: Morning, browser: Browser) -> None:
    browser.open(morning.file.as_uri())
    browser.until("document.readyState === 'complete' && document.querySelector('h2')")
    said = str(browser.run("document.body.innerText"))
    kept_s = sum(morning.night.played.summary.accepted_s.values())
    for words in (
        f"{kept_s / 60:.0f} min kept of",
        "All times are Europe/Zurich (UTC+01:00)",
        "Gathered against wanted",
        "trouble, until the next sub",
        "Rig Wheel refused",
        "mag lost",
        "in blocks",
        "L R G B in colour",
    ):
        assert words in said, words


def test_what_light_is_worth_is_told_where_it_is_known(morning: Morning) -> None:
    night = morning.found.night

    def told(worth_s: float | None) -> str:
        rows = tuple(replace(row, worth_s=worth_s) for row in night.targets["NGC 891"])
        return page(replace(morning.found, night=replace(night, targets={"NGC 891": rows})))

    assert '<td class="number">5\N{NO-BREAK SPACE}min</td>' in told(300.0)
    assert ">worth<" not in told(None)


def pages_of(pdf: bytes) -> int:
    """Pages of a PDF file: ISO 32000-1, 7.7.3.3, objects of type Page."""
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


def test_the_page_is_printed(morning: Morning, tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    shutil.copy(morning.file, file)
    pdf = command.printed(file).read_bytes()
    assert pdf.startswith(b"%PDF-")
    assert 3 <= pages_of(pdf) <= 12


# Who writes it ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def light(morning: Morning, tmp_path_factory: pytest.TempPathFactory) -> Settings:
    """The same night with two frames left, which are quickly looked at."""
    out, night = tmp_path_factory.mktemp("light") / "out", morning.sources.night
    settings = kept_in(morning.sources.settings, out)
    log = log_file(out, night)
    log.parent.mkdir(parents=True)
    shutil.copy(morning.sources.log, log)
    shutil.copy(morning.sources.ledger, out / FILE_NAME)
    for sub in [sub for sub in morning.found.night.subs if sub.kept][:2]:
        file = out / "frames" / sub.path
        file.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(morning.sources.frames / sub.path, file)
    return settings


@pytest.fixture
def configured(light: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(command, "settings_of", lambda _: light)


@pytest.mark.usefixtures("configured")
def test_the_command_and_the_daemon_write_the_same(
    morning: Morning, light: Settings, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command the newest night; the daemon by a process of its own."""
    file, picture = tmp_path / "new" / "report.html", tmp_path / "night.svg"
    words = ["report", "--json", "--file", str(file), "--picture", str(picture)]
    assert main(words) == 0
    figures = json.loads(capsys.readouterr().out)
    assert figures["night"] == str(morning.sources.night)
    assert (figures["file"], figures["picture"]) == (str(file), str(picture))
    line_of_time = drawn(picture.read_text())
    assert list(meetings(line_of_time)) == []
    assert {"phase", "L", "R", "G", "B", "dither", "focus", "trouble"} <= {
        box.words for box in line_of_time.words
    }
    assert sum(figures["spent_s"].values()) == pytest.approx(figures["dark_s"], abs=1.0)
    tonight = figures["targets"]["NGC 891"]
    kept_s = {name: row["tonight_s"] for name, row in tonight.items()}
    assert kept_s == dict(morning.night.played.summary.accepted_s)
    (event,) = mornings(lambda reports: reports.begin(morning.sources.night, light))
    assert isinstance(event, e.ReportWritten)
    assert Path(event.path).read_text() == file.read_text()
    assert "kept of" in event.said


@pytest.mark.usefixtures("configured")
@pytest.mark.parametrize(
    "words",
    [["--night", "2020-01-01"], ["--out", "/proc/none"], ["--file", "/proc/none/report.html"]],
)
def test_bad_input_gets_one_sentence(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", *words]) == 2
    told = capsys.readouterr().err
    assert len(told.splitlines()) == 1
    assert told.endswith(".\n")


@pytest.mark.usefixtures("configured")
def test_a_printer_that_is_not_there_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert main(["report", "--pdf"]) == 2
    assert capsys.readouterr().err == "--pdf needs chromium, which is not installed.\n"


def mornings(ask: Callable[[Mornings], None]) -> list[Event]:
    """What a daemon tells of the reports that it is asked for."""
    log, told = Log(WallClock()), list[Event]()

    async def day() -> None:
        reports = Mornings(log, WallClock())
        async with reports.finished(asyncio.Event()):
            ask(reports)

    with log.listen(lambda _, event: told.append(event)):
        asyncio.run(day())
    return told


def test_reports_that_were_never_written_are_made_up_for_once(
    morning: Morning, light: Settings
) -> None:
    """Of the nights that were begun, for a week; one that a file is there for is left as it is."""
    night, output = morning.sources.night, light.observatory.output_folder
    report_file(output, night).unlink(missing_ok=True)
    with Ledger(output / FILE_NAME) as ledger:
        for day in range(2, 12):
            before = str(night - timedelta(days=day))
            ledger.begin("night", {"night": before}, datetime(2027, 1, 1, tzinfo=UTC))
            log_file(output, night - timedelta(days=day)).touch()
        ledger.begin("night", {"night": "2027-01-11"}, datetime(2027, 1, 1, tzinfo=UTC))
        report_file(output, date(2027, 1, 9)).parent.mkdir(exist_ok=True)
        report_file(output, date(2027, 1, 9)).touch()
        assert unreported(output, ledger, night)[-1] == date(2027, 1, 10)
        week = [night - timedelta(days=days) for days in (6, 5, 4, 2, 0)]
        after = night + timedelta(days=1)
        assert unreported(output, ledger, after) == week, "the 11th has no log, the 9th a report"
        for one in week[:-1]:
            log_file(output, one).unlink()

        def ask(reports: Mornings) -> None:
            for _ in range(2):
                reports.make_up(light, ledger, after)

        (event,) = mornings(ask)
    assert isinstance(event, e.ReportWritten)
    assert Path(event.path) == report_file(output, night)


def test_a_report_that_fails_is_an_event_and_nothing_else(morning: Morning) -> None:
    settings = morning.sources.settings
    (event,) = mornings(lambda reports: reports.begin(date(2020, 1, 1), settings))
    assert isinstance(event, e.ReportFailed)
    assert "no log" in event.reason


def test_a_report_under_way_is_given_up_when_the_daemon_is_stopped(morning: Morning) -> None:
    """Neither waited for, nor left behind: `left_behind` looks for its process."""
    log, told = Log(WallClock()), list[Event]()

    async def day() -> None:
        reports, stop = Mornings(log, WallClock()), asyncio.Event()
        async with reports.finished(stop):
            reports.begin(morning.sources.night, morning.sources.settings)
            await asyncio.sleep(0)
            stop.set()

    with log.listen(lambda _, event: told.append(event)):
        asyncio.run(day())
    assert told == []


def test_a_rehearsal_without_frames_has_a_report_too(morning: Morning, tmp_path: Path) -> None:
    sources = replace(morning.sources, frames=tmp_path / "none", ledger=tmp_path / FILE_NAME)
    found = findings(sources)
    assert found.pictures.targets == {"NGC 891": []}
    assert sum(found.spent.seconds().values()) == pytest.approx(found.night.dark.duration_s)
