"""The log: its lines, its file, its listeners, its documentation."""

import asyncio
import io
import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from nightloom.telemetry import Event, Log, all_events, describe_events, events, log_sha256
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.virtual_loop import run_virtual

EPOCH_S = datetime(2026, 11, 14, 18, tzinfo=UTC).timestamp()


def short_night(path: Path) -> None:
    """Three events of one simulated night."""

    async def night() -> None:
        log = Log(LoopClock(EPOCH_S), path=path)
        log.emit(events.PhaseChanged(before="asleep", after="readying", reason="dusk"))
        await asyncio.sleep(90.25)
        log.emit(events.MountUnparked())
        log.emit(events.CycleCompleted(target="M81", cycle=1, accepted_s={"R": 120.0, "L": 360.0}))
        log.close()

    run_virtual(night())


def test_each_event_is_one_json_line_with_time_event_and_level_first(tmp_path: Path) -> None:
    short_night(tmp_path / "night.log")
    lines = (tmp_path / "night.log").read_text().splitlines()
    assert lines[0] == (
        '{"utc": "2026-11-14T18:00:00.000Z", "event": "phase_changed", "level": "info", '
        '"before": "asleep", "after": "readying", "reason": "dusk"}'
    )
    assert [json.loads(line)["utc"][11:] for line in lines[1:]] == ["18:01:30.250Z"] * 2
    assert list(json.loads(lines[2]))[:3] == ["utc", "event", "level"]


def test_one_night_gives_the_same_bytes_each_time(tmp_path: Path) -> None:
    short_night(tmp_path / "a.log")
    short_night(tmp_path / "b.log")
    assert log_sha256(tmp_path / "a.log") == log_sha256(tmp_path / "b.log")
    with (tmp_path / "b.log").open("a") as file:
        file.write(" ")
    assert log_sha256(tmp_path / "a.log") != log_sha256(tmp_path / "b.log")


def test_the_hash_of_a_log_is_sha_256(tmp_path: Path) -> None:
    """The example of FIPS 180-4: SHA-256 of the three letters abc (NIST example values)."""
    (tmp_path / "abc").write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert log_sha256(tmp_path / "abc") == expected


def emitted(event: Event) -> dict[str, object]:
    echo = io.StringIO()

    async def emit() -> None:
        Log(LoopClock(EPOCH_S), echo=echo).emit(event)

    run_virtual(emit())
    line: dict[str, object] = json.loads(echo.getvalue())
    return line


def test_numbers_are_rounded_by_unit_and_never_break_the_line() -> None:
    line = emitted(
        events.Dithered(
            target="M81",
            number=np.int64(4),  # type: ignore[arg-type]
            dx_px=np.float32(1.23456),  # type: ignore[arg-type]
            dy_px=-0.00001,
            settle_s=float("nan"),
        )
    )
    assert (line["number"], line["dx_px"], line["settle_s"]) == (4, 1.235, None)
    assert str(line["dy_px"]) == "0.0"


def test_times_within_an_event_are_utc() -> None:
    dusk = datetime.fromisoformat("2026-11-14T18:30:00+01:00")
    line = emitted(
        events.NightBegun(night="2026-11-14", observatory="Larkfold", dark_begins_utc=dusk)
    )
    assert line["dark_begins_utc"] == "2026-11-14T17:30:00.000Z"


def test_a_line_cut_short_by_a_crash_is_ended_before_the_next(tmp_path: Path) -> None:
    path = tmp_path / "night.log"
    path.write_text('{"utc": "2026-11-14T17:5')
    short_night(path)
    lines = path.read_text().splitlines()
    assert (len(lines), lines[0]) == (4, '{"utc": "2026-11-14T17:5')


def test_each_line_is_in_the_file_when_emit_returns(tmp_path: Path) -> None:
    async def night() -> None:
        log = Log(LoopClock(EPOCH_S), path=tmp_path / "night.log")
        log.emit(events.MountUnparked())
        assert (tmp_path / "night.log").read_text().endswith("}\n")
        log.close()

    run_virtual(night())


def test_listeners_hear_each_event_until_their_block_ends() -> None:
    heard: list[tuple[datetime, Event]] = []

    async def night() -> None:
        log = Log(LoopClock(EPOCH_S))
        with log.listen(lambda now, event: heard.append((now, event))):
            log.emit(events.MountUnparked())
        log.emit(events.MountParked(took_s=20.0))

    run_virtual(night())
    assert heard == [(datetime(2026, 11, 14, 18, tzinfo=UTC), events.MountUnparked())]


@pytest.mark.parametrize("kind", all_events())
def test_every_event_and_field_is_documented(kind: type[Event]) -> None:
    assert (kind.__doc__ or "").strip().endswith(".")
    assert kind.__doc__ != Event.__doc__
    assert not {"utc", "event", "level"} & set(kind.model_fields)
    for name, field in kind.model_fields.items():
        assert field.description, f"{kind.__name__}.{name}"


def test_the_documentation_names_every_event_and_field_once() -> None:
    text = describe_events()
    names = [kind.name() for kind in all_events()]
    assert len(names) == len(set(names)) >= 20
    for kind in all_events():
        assert text.count(f"### `{kind.name()}`") == 1
        assert all(f"| `{name}` |" in text for name in kind.model_fields)
    assert (
        "| `accepted_s` | dict of str, float | seconds | accepted seconds so far by filter |"
        in text
    )
