"""Accepted frames that turn out too dim: taken back in ledger, header and tally, evenly."""

import asyncio
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from astropy.io import fits

from clouds.test_starlight import field
from night.nights import NIGHT, demo
from nightloom.executor import Executor, InLine
from nightloom.frames import HeaderFacts, StarField
from nightloom.frames.pipeline import FramePipeline
from nightloom.frames.stars import STAR
from nightloom.ledger import FILE_NAME, Ledger, Stage, Sub, Verdict, uid_of
from nightloom.night.summary import NightSummary
from nightloom.telemetry import Log
from nightloom.telemetry import events as e
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.devices import CameraFrame, Exposure
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.virtual_loop import run_virtual

BEGIN = datetime(2026, 11, 10, 20, tzinfo=UTC)


class Exposed:
    """Stands in for an exposure whose frame is there."""

    def __init__(self, start: datetime) -> None:
        self.start = start

    async def frame(self) -> CameraFrame:
        return CameraFrame(np.zeros((4, 4), np.uint16), {}, self.start, 60.0)


def star_field(through: float) -> StarField:
    light = field()
    stars = np.zeros(len(light), STAR)
    stars["x"], stars["y"] = light.x_px, light.y_px
    stars["flux_adu"], stars["snr"] = 1e5 * through * light.adu_per_s, 100.0
    return StarField(900.0, 8.0, len(light), 2.0, 4.0, 0.1, stars)


def judged(
    out: Path, filters: str, through: Sequence[float]
) -> tuple[Any, list[Any], NightSummary]:
    """Frames of these filters behind so much cloud, taken back before each next one."""
    shown = iter([star_field(one) for one in through])

    async def measured(*_: Any) -> StarField:
        return next(shown)

    async def work() -> tuple[Any, list[Any], NightSummary]:
        clock, heard, summary = LoopClock(BEGIN.timestamp()), list[Any](), NightSummary()
        settings, _ = demo(targets=dict.fromkeys(filters, 60.0))
        log = Log(clock)
        with Ledger(out / FILE_NAME) as ledger, log.listen(lambda _, event: heard.append(event)):
            pipeline = FramePipeline(
                settings,
                NIGHT,
                out / "frames",
                ledger,
                cast(Executor, measured),
                InLine(),
                clock,
                log,
            )
            async with asyncio.TaskGroup() as group:
                pipeline.begin(group)
                for number, name in enumerate(filters, start=1):
                    begun = BEGIN + timedelta(minutes=2 * number)
                    sub = Sub(
                        uid_of(str(NIGHT), number), str(NIGHT), "NGC 891", name, 60.0, 1, begun
                    )
                    ledger.begin_sub(sub)
                    closed = Sub(**{**vars(sub), "stage": Stage.CLOSED})
                    facts = HeaderFacts(kind=FrameKind.LIGHT, exposure_s=60.0)
                    pipeline.take(closed, facts, cast(Exposure, Exposed(begun)))
                    await pipeline.drain()
                    await pipeline.take_back({})
            for event in heard:
                summary.observe(BEGIN, event)
            return ledger.frames(), heard, summary

    return run_virtual(work())


def test_a_frame_under_a_veil_is_taken_back_when_the_sky_clears(tmp_path: Path) -> None:
    frames, heard, summary = judged(tmp_path, "LLL", [0.6, 1.0, 1.0])
    assert [one.verdict for one in frames] == [Verdict.REJECTED, *[Verdict.ACCEPTED] * 2]
    (taken_back,) = (event for event in heard if isinstance(event, e.FrameTakenBack))
    assert "of the clear sky seen later" in taken_back.reason
    assert frames[0].reason == taken_back.reason
    header = fits.getheader(tmp_path / "frames" / frames[0].path)
    assert any("rejected" in str(value) for value in header.values())
    assert dict(summary.accepted_s) == {"L": 120.0}
    assert summary.subs == {"accepted": 2, "rejected": 1}


def test_no_more_is_taken_back_than_evenness_allows(tmp_path: Path) -> None:
    """Three of L were under a veil: without them all the others would be 1.3 cycles ahead."""
    filters = "LRB" * 3 + "LR"
    through = [0.6, 0.6, 1.0] * 3 + [1.0, 1.0]
    frames, _, _ = judged(tmp_path, filters, through)
    rejected = [one.filter for one in frames if one.verdict is Verdict.REJECTED]
    assert sorted(rejected) == list("LLRRR"), "the third L waits for what is made up"


@pytest.mark.parametrize("through", [[1.0, 0.95, 1.0, 0.9]])
def test_a_clear_night_takes_nothing_back(tmp_path: Path, through: list[float]) -> None:
    frames, heard, _ = judged(tmp_path, "LLLL", through)
    assert all(one.verdict is Verdict.ACCEPTED for one in frames)
    assert not [event for event in heard if isinstance(event, e.FrameTakenBack)]


def test_a_dim_frame_that_the_disk_refused_is_taken_back_by_nobody(tmp_path: Path) -> None:
    """Its stars were good when it was judged; it counts nowhere already."""
    (named, *_), _, _ = judged(tmp_path / "first", "LLL", [0.6, 1.0, 1.0])
    taken = tmp_path / "second" / "frames" / named.path
    taken.parent.mkdir(parents=True)
    taken.touch()
    frames, heard, _ = judged(tmp_path / "second", "LLL", [0.6, 1.0, 1.0])
    assert [one.verdict for one in frames] == [Verdict.REJECTED, *[Verdict.ACCEPTED] * 2]
    assert "exists already" in frames[0].reason
    assert not [event for event in heard if isinstance(event, e.FrameTakenBack)]
