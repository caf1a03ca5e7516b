"""The disk of frames, where one holds next to nothing."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from frames.example import FACTS
from nightloom.executor import InLine
from nightloom.frames.disk import FrameDisk
from nightloom.ledger import Sub
from nightloom.settings import Policies
from nightloom.telemetry import Log
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.star_list import LISTED, StarList
from nightloom_drivers.virtual_loop import run_virtual

BEGUN = datetime(2026, 9, 12, 21, 30, 15, tzinfo=UTC)


def test_a_list_without_a_star_is_kept_and_there_is_room_for_more(tmp_path: Path) -> None:
    """Its file is a header all the same: blocks of 2880 bytes (FITS standard 4.0, section 3.1)."""
    empty = StarList((480, 640), np.zeros(0, LISTED), 0, 500.0, 3.0, 3.0, 10.0)
    sub = Sub(
        uid="2026-09-12-0001",
        night="2026-09-12",
        target="NGC 7000",
        filter="L",
        exposure_s=300.0,
        pointing=1,
        begun_utc=BEGUN,
    )

    async def kept() -> str:
        pattern = Policies().frames.name_pattern
        disk = FrameDisk(tmp_path, pattern, BEGUN.date(), InLine(), Log(LoopClock(0.0)))
        there = replace(sub, path=disk.path(sub, BEGUN))
        refused = await disk.write(there, empty, FACTS)
        disk.check()
        assert (tmp_path / there.path).stat().st_size >= 2880
        return refused

    assert run_virtual(kept()) == ""
