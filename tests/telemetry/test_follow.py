"""Following a log, and showing its lines."""

import asyncio
import json
from collections.abc import Callable
from pathlib import Path

from nightloom.telemetry.follow import follow, read_lines
from nightloom.telemetry.show import parse, show
from nightloom_drivers.virtual_loop import run_virtual


def followed(path: Path, *changes: Callable[[], object]) -> list[str]:
    """What a follower yields while the changes happen, a second apart."""

    async def watch() -> list[str]:
        seen: list[str] = []

        async def read() -> None:
            async for line in follow(path):
                seen.append(line)

        reader = asyncio.create_task(read())
        for change in changes:
            await asyncio.sleep(1)
            change()
        await asyncio.sleep(1)
        reader.cancel()
        await asyncio.gather(reader, return_exceptions=True)
        return seen

    return run_virtual(watch())


def append(path: Path, text: str) -> Callable[[], object]:
    def change() -> None:
        with path.open("a") as file:
            file.write(text)

    return change


def test_what_is_there_comes_first_and_then_what_is_added(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_text("one\n")
    assert followed(path, append(path, "two\nthree\n")) == ["one", "two", "three"]


def test_a_line_comes_when_it_is_complete(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_text("be")
    assert followed(path) == []
    assert followed(path, append(path, "gun\n")) == ["begun"]


def test_a_file_may_come_later(tmp_path: Path) -> None:
    path = tmp_path / "log"
    assert followed(path, append(path, "one\n")) == ["one"]


def test_a_file_cut_to_nothing_is_read_from_its_start(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_text("a long first line\n")
    changes = lambda: path.write_text(""), append(path, "two\n")
    assert followed(path, *changes) == ["a long first line", "two"]


def test_a_new_file_in_the_old_ones_place_is_read_too(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_text("one\ntor")
    changes = lambda: path.rename(tmp_path / "old"), append(path, "two\nthree\n")
    assert followed(path, *changes) == ["one", "tor", "two", "three"]


def test_bytes_that_are_no_text_do_not_stop_it(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"\xff\xfe\nnext\r\n")
    assert list(read_lines(path)) == ["\ufffd\ufffd", "next"]


def test_a_line_is_shown_with_its_time_event_and_fields() -> None:
    line = {
        "utc": "2026-11-14T18:00:00.250Z",
        "event": "focus_curve",
        "level": "info",
        "filter": "Ha",
        "refusal": "",
        "error_steps": None,
        "accepted": True,
        "radii_px": [3.1, 2.0],
        "accepted_s": {"L": 120.0},
    }
    fields = parse(json.dumps(line))
    assert fields is not None
    assert show(fields).plain == (
        "2026-11-14 18:00:00  focus curve         filter=Ha  accepted=true"
        "  radii_px=3.1,2  accepted_s=L:120"
    )


def test_only_an_error_colours_its_values() -> None:
    line = {"utc": "2026-11-14T18:00:00.250Z", "event": "x", "level": "info", "limit": "Sun"}
    for level, coloured in (("info", False), ("error", True)):
        text = show({**line, "level": level})
        value = text.plain.index("Sun")
        assert any(span.start <= value < span.end for span in text.spans) is coloured


def test_what_is_no_event_is_not_taken_for_one() -> None:
    for line in ("", "{", "[1]", "null", '{"utc": 3, "event": "x", "level": "info"}'):
        assert parse(line) is None
