"""Room on the disk: said while there is some, and the end of gathering when there is none."""

from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import TypeVar, TypeVarTuple, cast

import pytest

from nightloom.frames.disk import FrameDisk, NoRoom
from nightloom.frames.room import MEGABYTE, Room, RoomTold
from nightloom.frames.writer import free_bytes_of
from nightloom.settings.policies import FramesPolicy
from nightloom.telemetry import Event, Log
from nightloom.telemetry.events import DiskFilling
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.virtual_loop import run_virtual

T = TypeVar("T")
Ts = TypeVarTuple("Ts")


def room(free_mb: float) -> Room:
    return Room(round(free_mb * MEGABYTE), 200 * MEGABYTE, 50 * MEGABYTE)


@pytest.mark.parametrize(
    ("free_mb", "frames"), [(0, 0), (200, 0), (249, 0), (250, 1), (299, 1), (5200, 100)]
)
def test_what_is_kept_free_holds_no_frames(free_mb: float, frames: int) -> None:
    assert room(free_mb).frames == frames
    assert room(free_mb).is_full == (frames == 0)


def test_it_is_said_when_it_is_short_and_again_at_each_half() -> None:
    told, said = RoomTold(100), list[int]()
    for frames in range(120, 0, -1):
        here = room(200 + 50 * frames)
        if told.tells(here):
            said.append(here.frames)
        told = told.after(here)
    assert said == [99, 49, 24, 11, 5, 2]


class Shrinking:
    """A disk's executor that reports these megabytes as free, one after the other."""

    def __init__(self, free_mb: Iterator[int]) -> None:
        self._free_mb = free_mb

    async def __call__(self, function: Callable[[*Ts], T], *arguments: *Ts) -> T:
        assert function is cast(object, free_bytes_of)
        return cast(T, next(self._free_mb) * MEGABYTE)


def test_a_disk_that_fills_is_said_in_time_and_full_in_a_sentence(tmp_path: Path) -> None:
    heard = list[Event]()

    async def story() -> None:
        log = Log(LoopClock(0.0))
        store = Shrinking(iter([9000, 5300, 1300, 252, 251]))
        disk = FrameDisk(tmp_path, FramesPolicy(), date(2026, 11, 10), store, log)
        with log.listen(lambda _, event: heard.append(event)):
            for _ in range(4):
                await disk.look()
            with pytest.raises(NoRoom, match=r"full: 251 MB are free.*52 MB beside the 200 MB"):
                await disk.look()

    run_virtual(story())
    assert [(type(one), one.model_dump()["frames"]) for one in heard] == [
        (DiskFilling, 98),
        (DiskFilling, 21),
        (DiskFilling, 1),
    ]


def test_a_folder_that_is_not_made_yet_is_on_the_disk_of_the_one_above(tmp_path: Path) -> None:
    here, there = free_bytes_of(tmp_path), free_bytes_of(tmp_path / "not" / "made")
    assert here is not None
    assert there is not None
    assert there == pytest.approx(here, rel=0.05)
