"""The page, in a real browser, over moments of a rehearsed night."""

import asyncio
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from nightloom.remote.app import PAGE
from nightloom.telemetry import events as e
from nightloom.telemetry.describe import all_events
from remote.browser import Browser
from remote.halls import TOKEN, Hall, inside, with_token
from remote.moments import Recorded, recorded

PHONE, DESK = (390, 844), (1280, 900)
CONTRAST_MIN = 4.5


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    return recorded(tmp_path_factory.mktemp("night"))


@pytest.fixture
def browser() -> Iterator[Browser]:
    with Browser() as browser:
        yield browser


def visit(night: Recorded, name: str, look: Callable[[str, Hall], None], folder: Path) -> Hall:
    """Let somebody look at the page while the interface serves a moment of the night."""
    status = night.serve(name)

    async def story(hall: Hall) -> None:
        hall.status = status
        await asyncio.to_thread(look, f"http://127.0.0.1:{hall.port}/", hall)

    return inside(night.out, story)


def text(browser: Browser) -> str:
    return str(browser.run("document.querySelector('main').innerText"))


@pytest.mark.parametrize(("width_px", "height_px"), [PHONE, DESK])
def test_the_page_tells_of_a_night_under_way(
    night: Recorded, browser: Browser, tmp_path: Path, width_px: int, height_px: int
) -> None:
    def look(url: str, _: Hall) -> None:
        browser.size(width_px, height_px)
        browser.open(url)
        browser.until("document.querySelectorAll('#curves path').length === 4")
        browser.until("document.getElementById('preview').naturalWidth > 0")
        said = text(browser)
        status = night.moments["well under way"].status
        assert status.last_frame is not None
        assert status.exposing is not None
        for words in (
            "Gathering, NGC 891.",
            f"The shutter is open in {status.exposing.filter}: ",
            "Next: a sub of 60 s in ",
            "The roof is open, the mount is tracking",
            "Star size", "Guiding error", "Transparency", "Focuser with ",
            f"{status.last_frame.stars} stars",
        ):  # fmt: skip
            assert words in said, words
        asked = [row.filter for row in status.tally[0].filters]
        shown = (
            "Array.from(document.querySelectorAll('.filter span:first-child'), s => s.textContent)"
        )
        assert browser.run(shown) == asked
        assert browser.run("document.documentElement.scrollWidth") <= width_px, "nothing is cut off"
        assert browser.run("document.querySelectorAll('#curves path')[0].getTotalLength()") > 500
        browser.picture(tmp_path / "dark.png")
        browser.run("document.getElementById('look').click()")
        assert browser.run("getComputedStyle(document.documentElement).backgroundColor") != (
            "rgb(0, 0, 0)"
        )
        browser.picture(tmp_path / "day.png")
        browser.open(url)
        browser.until("document.documentElement.dataset.look === 'day'")
        assert browser.complaints == []

    visit(night, "well under way", look, tmp_path)


def test_what_happens_is_shown_soon_and_silence_is_told(
    night: Recorded, browser: Browser, tmp_path: Path
) -> None:
    def look(url: str, hall: Hall) -> None:
        browser.size(*PHONE)
        browser.open(url)
        browser.until("document.getElementById('phase').textContent.startsWith('Gathering')")
        told = night.moments["sheltering"].status
        hall.status = told
        hall.happens(e.PhaseChanged(before="gathering", after="sheltering", reason=told.reason))
        browser.until("document.getElementById('phase').textContent === 'Sheltering.'", 3.0)
        assert "The weather is against an open roof" in text(browser)
        assert "rain hour" in text(browser)
        browser.tell("Network.emulateNetworkConditions", offline=True, latency=0,
                     downloadThroughput=0, uploadThroughput=0)  # fmt: skip
        browser.run("ask().then(() => { heardMs -= 60000; return ask(); })")
        browser.until("document.getElementById('silence').textContent.startsWith('No word from')")

    visit(night, "gathering", look, tmp_path)


def test_the_page_asks_for_the_token_and_then_shows(
    night: Recorded, browser: Browser, tmp_path: Path
) -> None:
    async def story(hall: Hall) -> None:
        hall.status = night.serve("readying")

        def look() -> None:
            browser.size(*PHONE)
            browser.open(f"http://127.0.0.1:{hall.port}/")
            browser.until("document.getElementById('token')")
            browser.run(f"document.getElementById('token').value = '{TOKEN}'")
            browser.run("document.querySelector('button').click()")
            browser.until("document.getElementById('phase').textContent === 'Readying.'")
            assert browser.run("document.cookie") == "", "no script can read it"

        await asyncio.to_thread(look)

    inside(night.out, story, token_file=with_token(tmp_path))


# Without a browser ---------------------------------------------------------------------------


def test_the_script_finds_what_it_looks_for_and_hears_what_there_is() -> None:
    page, script = (PAGE / "page.html").read_text(), (PAGE / "page.js").read_text()
    there = set(re.findall(r'id="(\w+)"', page))
    wanted = set(re.findall(r'(?:at|say|curve)\("(\w+)"', script))
    assert wanted <= there, wanted - there
    known = {kind.name() for kind in all_events()}
    heard = re.search(r"const HEARD = \[(.*?)\];", script, re.DOTALL)
    assert heard is not None
    assert set(re.findall(r'"(\w+)"', heard[1])) <= known


def test_nothing_comes_from_elsewhere() -> None:
    for file in PAGE.iterdir():
        content = file.read_text().replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?://|url\(|@import|innerHTML|eval\(|style=", content), file


def luminance(colour: str) -> float:
    """Relative luminance. Source: W3C, WCAG 2.2, "relative luminance"."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_both_looks_are_legible_and_the_dark_one_is_red() -> None:
    """Contrast by WCAG 2.2, 1.4.3. Rods hardly see deep red: common practice, no source."""
    dark, day = re.findall(r":root[^{]*\{(.*?)\}", (PAGE / "page.css").read_text(), re.DOTALL)
    for look in (dark, day):
        colour = dict(re.findall(r"--(\w+): (#\w{6});", look))
        for ink in ("ink", "soft"):
            light, dim = sorted((luminance(colour[ink]), luminance(colour["ground"])))[::-1]
            assert (light + 0.05) / (dim + 0.05) >= CONTRAST_MIN - (look is dark) * 0.4, ink
    for value in re.findall(r"#(\w{6})", dark):
        red, green, blue = (int(value[at : at + 2], 16) for at in (0, 2, 4))
        assert max(green, blue) <= 0.25 * red
    assert "#000000" in dark
