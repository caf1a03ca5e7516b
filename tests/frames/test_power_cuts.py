"""Power cuts anywhere in the lives of frames, on a file system that loses what was not synced.

A pipeline takes in frames, one of which is taken back when the sky clears. At each moment at which
the disk was given anything, whatever a cut may leave of it is put on another disk, and the
pipeline is started there as after any crash. What SQLite does at such a moment is trusted.
"""

import asyncio
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from astropy.io import fits

from frames.test_taken_back import star_field
from night.nights import NIGHT, demo
from nightloom.executor import Executor, InLine
from nightloom.frames import HeaderFacts, StarField
from nightloom.frames.pipeline import FramePipeline
from nightloom.ledger import FILE_NAME, Frame, Ledger, Stage, Sub, number_of, uid_of
from nightloom.telemetry import Log
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.devices import CameraFrame, Exposure
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.virtual_loop import run_virtual
from power_cuts import Cut, Recorder, Tree, after_a_cut, put_on, recorded

BEGIN = datetime(2026, 11, 10, 20, tzinfo=UTC)
THROUGH = (0.6, 1.0)
"""How much light comes through in each frame: the first is taken back for the second."""
SUB_S, SHAPE = 60.0, (40, 60)
SETTINGS, _ = demo(targets={"L": SUB_S})


def pixels(number: int) -> np.ndarray[Any, np.dtype[np.uint16]]:
    """The frame of a sub."""
    return np.random.default_rng(number).integers(800, 1000, SHAPE, dtype=np.uint16)


@dataclass
class Promised:
    """What the ledger had said when its transactions returned."""

    entered: dict[str, str] = field(default_factory=dict)
    """Verdicts by the frames' names."""
    stored: frozenset[str] = frozenset()


class Promising(Ledger):
    """A ledger that remembers what it has said, and lets the power fail after each transaction."""

    promised: Promised
    recorder: Recorder | None = None

    def begin_sub(self, sub: Sub) -> None:
        super().begin_sub(sub)
        self._said(f"{sub.uid} begun")

    def follow_sub(self, sub: Sub) -> None:
        super().follow_sub(sub)
        if sub.stage is Stage.STORED:
            self.promised.stored |= {sub.uid}
        self._said(f"{sub.uid} {sub.stage}")

    def enter(self, frame: Frame, worths_s: Mapping[str, float] = {}) -> None:
        super().enter(frame, worths_s)
        self.promised.entered[frame.uid] = str(frame.verdict)
        self._said(f"{frame.uid} entered")

    def reject(self, uid: str, reason: str) -> Frame:
        taken_back = super().reject(uid, reason)
        self.promised.entered[uid] = "rejected"
        self._said(f"{uid} rejected")
        return taken_back

    def amended(self, uid: str, sha256: str) -> None:
        super().amended(uid, sha256)
        self._said(f"{uid} amended")

    def _said(self, what: str) -> None:
        if self.recorder is not None:
            self.recorder.mark(what)


class Exposed:
    """Stands in for an exposure whose frame is there."""

    def __init__(self, number: int, start: datetime) -> None:
        self._number, self._start = number, start

    async def frame(self) -> CameraFrame:
        return CameraFrame(pixels(self._number), {}, self._start, SUB_S)


def pipeline_of(out: Path, ledger: Ledger, through: Iterator[float]) -> FramePipeline:
    async def measured(*_: Any) -> StarField:
        return star_field(next(through))

    clock = LoopClock(BEGIN.timestamp())
    return FramePipeline(
        SETTINGS,
        NIGHT,
        out / "frames",
        ledger,
        cast(Executor, measured),
        InLine(),
        clock,
        Log(clock),
    )


async def lived(out: Path, ledger: Ledger) -> None:
    """The lives of all frames, from their shutters to their verdicts."""
    pipeline = pipeline_of(out, ledger, iter(THROUGH))
    async with asyncio.TaskGroup() as group:
        pipeline.begin(group)
        for number in range(1, len(THROUGH) + 1):
            begun = BEGIN + timedelta(minutes=2 * number)
            sub = Sub(uid_of(str(NIGHT), number), str(NIGHT), "NGC 891", "L", SUB_S, 1, begun)
            ledger.begin_sub(sub)
            closed = Sub(**{**vars(sub), "stage": Stage.CLOSED})
            facts = HeaderFacts(kind=FrameKind.LIGHT, exposure_s=SUB_S)
            pipeline.take(closed, facts, cast(Exposure, Exposed(number, begun)))
            await pipeline.drain()
            await pipeline.take_back({})


async def started(out: Path, ledger: Ledger) -> None:
    """A start after a crash, until all is judged that was left."""
    pipeline = pipeline_of(out, ledger, iter([1.0] * len(THROUGH)))
    async with asyncio.TaskGroup() as group:
        pipeline.begin(group)
        pipeline.recover()
        await pipeline.drain()


def of_the_ledger(name: str) -> bool:
    return name.startswith(FILE_NAME)


def cuts(folder: Path, killed_before: bool) -> list[Cut]:
    """All moments of the lives of the frames, the folder of everything made on the way.

    An earlier daemon may have been killed when it had made folders and not synced them yet.
    """
    promised = Promised()
    out = folder / "disk" / "out"

    def promises() -> Promised:
        return Promised(dict(promised.entered), promised.stored)

    with recorded(folder, of_the_ledger, promises) as recorder:
        if killed_before:
            (out / "frames" / str(NIGHT)).mkdir(parents=True)
        with Promising(out / FILE_NAME) as ledger:
            ledger.promised, ledger.recorder = promised, recorder
            run_virtual(lived(out, ledger))
        return recorder.cuts


def cuts_of_the_start(folder: Path, tree: Tree, promised: Promised) -> list[Cut]:
    """All moments of a start from what a cut has left."""
    put_on(folder, tree)
    out = folder / "disk" / "out"
    with recorded(folder, of_the_ledger, lambda: promised) as recorder:
        with Promising(out / FILE_NAME) as ledger:
            ledger.promised, ledger.recorder = Promised(), recorder
            run_virtual(started(out, ledger))
        return recorder.cuts


def wrong_after(out: Path, promised: Promised) -> list[str]:
    """What is wrong with a disk once it was started from."""
    with Ledger.read(out / FILE_NAME) as ledger:
        frames = {frame.uid: frame for frame in ledger.frames()}
        wrong = [f"{one.uid} is left in flight" for one in ledger.in_flight()]
        wrong += [f"{one.uid} is left to be amended" for one in ledger.to_amend()]
        accepted = [one for one in frames.values() if one.verdict == "accepted"]
        if ledger.accepted_s("NGC 891") != ({"L": SUB_S * len(accepted)} if accepted else {}):
            wrong.append("the tally is not the sum of the accepted frames")
    wrong += [f"{uid} was stored and is lost" for uid in promised.stored - frames.keys()]
    wrong += [
        f"{uid} was {verdict} and is not"
        for uid, verdict in promised.entered.items()
        if uid not in frames or frames[uid].verdict != verdict
    ]
    for frame in frames.values():
        wrong += _file_wrong(out / "frames" / frame.path, frame)
    there = {one for one in (out / "frames").rglob("*") if one.is_file()}
    strays = there - {out / "frames" / frame.path for frame in frames.values()}
    return wrong + [f"{one.name} is left" for one in strays]


def _file_wrong(path: Path, frame: Frame) -> Iterator[str]:
    if not path.is_file():
        yield f"{frame.uid} is not on disk"
        return
    if hashlib.sha256(path.read_bytes()).hexdigest() != frame.sha256:
        yield f"{frame.uid} is not the file of its hash"
    with fits.open(path) as hdus:
        if (hdus[0].verify_datasum(), hdus[0].verify_checksum()) != (1, 1):
            yield f"{frame.uid} has sums that are not its own"
        if not np.array_equal(hdus[0].data, pixels(number_of(frame.uid))):
            yield f"{frame.uid} holds other pixels than were taken"
        if not str(hdus[0].header["VERDICT"]).startswith(str(frame.verdict)):
            yield f"{frame.uid} is {frame.verdict} and says {hdus[0].header['VERDICT']}"


class States:
    """The states of a disk that were started from, and what was wrong after which."""

    def __init__(self, folder: Path, mixtures: int) -> None:
        self.wrong: list[str] = []
        self._folder, self._mixtures = folder, mixtures
        self._seen: set[object] = set()
        self._chance = np.random.default_rng(1)

    def start_after(self, cuts: Sequence[Cut]) -> list[tuple[Cut, Tree]]:
        """Start from everything that these cuts may leave, each once; those that were new."""
        new = []
        for cut in cuts:
            for tree in after_a_cut(cut, self._chance, self._mixtures):
                state = frozenset(tree.items()), repr(cut.promised)
                if state not in self._seen:
                    self._seen.add(state)
                    self._start(cut, tree)
                    new.append((cut, tree))
        return new

    def folder(self) -> Path:
        """A new one."""
        folder = self._folder / str(len(list(self._folder.iterdir())))
        folder.mkdir()
        return folder

    def _start(self, cut: Cut, tree: Tree) -> None:
        disk = self.folder()
        put_on(disk, tree)
        out = disk / "disk" / "out"
        with Ledger(out / FILE_NAME) as ledger:
            run_virtual(started(out, ledger))
        self.wrong += [f"{cut.after}: {one}" for one in wrong_after(out, cut.promised)]


@pytest.mark.parametrize(
    ("killed_before", "mixtures"),
    [
        (False, 2),
        (True, 0),
        pytest.param(False, 12, marks=pytest.mark.long),
        pytest.param(True, 12, marks=pytest.mark.long),
    ],
)
def test_no_cut_loses_or_tears_what_was_promised(
    tmp_path: Path, killed_before: bool, mixtures: int
) -> None:
    states = States(tmp_path, mixtures)
    new = states.start_after(cuts(states.folder(), killed_before))
    assert not states.wrong, "\n".join(states.wrong)
    print(f"{len(new)} states")  # noqa: T201  how much was explored
    assert len(new) >= 38, "the lives of two frames have so many moments"


@pytest.mark.long
def test_nor_does_a_second_cut_in_the_start_after_the_first(tmp_path: Path) -> None:
    states = States(tmp_path, mixtures=2)
    first = states.start_after(cuts(states.folder(), killed_before=False))
    second = [
        new
        for cut, tree in first
        for new in states.start_after(cuts_of_the_start(states.folder(), tree, cut.promised))
    ]
    print(f"{len(first)} states, and {len(second)} after a second cut")  # noqa: T201
    assert not states.wrong, "\n".join(states.wrong)
