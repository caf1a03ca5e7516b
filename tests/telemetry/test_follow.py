"""Following a log, and reading its lines."""

import asyncio
from collections.abc import AsyncIterator, Callable
from pathlib import Path

from nightloom.telemetry.follow import follow, follow_nights, read_lines
from nightloom.telemetry.reading import parse
from nightloom_drivers.virtual_loop import run_virtual


def followed(
    path: Path,
    *changes: Callable[[], object],
    follow: Callable[[Path], AsyncIterator[str]] = follow,
) -> list[str]:
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


def test_the_newest_night_is_followed_and_then_the_next(tmp_path: Path) -> None:
    """What the old night's log ends with is read before the new one's first line."""
    old, new = tmp_path / "2026-11-09.jsonl", tmp_path / "2026-11-10.jsonl"
    next_one = tmp_path / "2026-11-11.jsonl"
    old.write_text("old\n")
    new.write_text("one\n")

    def turn() -> None:
        append(new, "two\n")()
        next_one.write_text("three\n")

    assert followed(tmp_path, turn, append(next_one, "four\n"), follow=follow_nights) == [
        "one", "two", "three", "four",
    ]  # fmt: skip


def test_a_folder_without_a_night_is_waited_for(tmp_path: Path) -> None:
    folder = tmp_path / "logs"
    later = folder / "2026-11-10.jsonl"
    assert followed(folder, folder.mkdir, append(later, "one\n"), follow=follow_nights) == ["one"]


def test_what_is_no_event_is_not_taken_for_one() -> None:
    for line in (
        "",
        "{",
        "[1]",
        "null",
        '{"utc": 3, "event": "x", "level": "info"}',
        '{"utc": "never", "event": "x", "level": "info"}',
    ):
        assert parse(line) is None
