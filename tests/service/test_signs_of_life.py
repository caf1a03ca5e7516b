"""What systemd is told, over a real socket; and that it is told nothing when the work stands still.

The messages are those of sd_notify(3) in systemd's manual.
"""

import asyncio
import socket
from datetime import UTC, datetime
from pathlib import Path

import pytest

from night.nights import Story, demo, live
from nightloom.night.phases import Phase
from nightloom.systemd import WORKED_S, WORKING, LifeSigns, quiet_s_max, systemd_told
from nightloom.telemetry import Event, Log
from nightloom.telemetry.events import NightArmed, PhaseChanged
from nightloom_drivers.clock import WallClock
from nightloom_drivers.virtual_loop import run_virtual

QUIET_S = 1000.0
ARMED = NightArmed(night="2026-11-10", begins_utc=datetime(2026, 11, 10, 16, tzinfo=UTC))


def entered(phase: Phase) -> Event:
    return PhaseChanged(before=Phase.ASLEEP.value, after=phase.value, reason="a test")


@pytest.mark.parametrize("address", ["file", "abstract"])
def test_systemd_hears_of_start_life_and_end(tmp_path: Path, address: str) -> None:
    """Three times within its limit of a minute."""
    path = str(tmp_path / "notify")
    where = path if address == "file" else f"\0{path}"
    log = Log(WallClock())
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(where)
        systemd.setblocking(False)
        said: list[str] = []

        def hear() -> None:
            while True:
                try:
                    said.append(systemd.recv(4096).decode())
                except BlockingIOError:
                    return

        async def up() -> None:
            environment = {"NOTIFY_SOCKET": where.replace("\0", "@"), "WATCHDOG_USEC": "60000000"}
            async with systemd_told(lambda: QUIET_S, log, environment):
                await asyncio.sleep(59.0)
                log.emit(entered(Phase.READYING))
                await asyncio.sleep(2.0)
            hear()

        run_virtual(up())
    assert said[0] == "READY=1"
    assert said[1:4] == ["WATCHDOG=1\nSTATUS=asleep"] * 3
    assert said[4] == "WATCHDOG=1\nSTATUS=readying: a test"
    assert said[-1].startswith("STOPPING=1")


def test_without_systemd_nothing_is_said() -> None:
    async def up() -> None:
        async with systemd_told(lambda: QUIET_S, Log(WallClock()), {}):
            await asyncio.sleep(100.0)

    run_virtual(up())


@pytest.mark.parametrize("phase", Phase)
def test_work_that_stands_still_gives_no_sign_of_life(phase: Phase) -> None:
    """Where something is always done; waiting may take all night."""
    signs = LifeSigns(0.0)
    signs.observe(entered(phase), 50.0)
    assert signs.lives(50.0 + QUIET_S, QUIET_S)
    assert signs.lives(51.0 + QUIET_S, QUIET_S) is (phase not in WORKING)
    signs.observe(ARMED, 51.0 + QUIET_S)
    assert signs.lives(52.0 + QUIET_S, QUIET_S)


def longest_silence_s(story: Story) -> float:
    """Between two events, in the phases that work."""
    longest_s, phase, last_s = 0.0, "", 0.0
    for utc, event in story.events:
        now_s = utc.timestamp()
        if phase in WORKING:
            longest_s = max(longest_s, now_s - last_s)
        last_s = now_s
        if isinstance(event, PhaseChanged):
            phase = event.after
    return longest_s


def test_a_night_that_goes_on_is_never_so_silent(tmp_path: Path) -> None:
    changed = demo(targets=dict.fromkeys("RG", 300.0))
    story = live(tmp_path, changed, hours=0.5)
    assert 300.0 <= longest_silence_s(story) < quiet_s_max(changed[0]) - WORKED_S
