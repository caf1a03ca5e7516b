"""Which frames the watch of the focus hears of: those with nothing but star size against them.

Frames of one field: clear, under cloud, drawn out, badly guided, out of focus.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from night.nights import NIGHT, demo
from nightloom.frames import HeaderFacts, StarField
from nightloom.frames.pipeline import FramePipeline
from nightloom.frames.records import JudgedFrame
from nightloom.frames.stars import STAR
from nightloom.ledger import FILE_NAME, Frame, Ledger, Stage, Sub, uid_of
from nightloom.telemetry import Log
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.devices import CameraFrame as DeviceFrame
from nightloom_drivers.devices import Exposure
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.virtual_loop import run_virtual

BEGIN_S = 1_794_340_800.0
CLEAR = {"count": 200, "half_flux_radius_px": 2.0, "ellipticity": 0.1}
USUAL = 4
"""Clear frames before the one that is asked about."""


class Exposed:
    """Stands in for an exposure whose frame is there."""

    def __init__(self, start: datetime) -> None:
        self.start = start

    async def frame(self) -> DeviceFrame:
        return DeviceFrame(np.zeros((2, 2), np.uint16), {}, self.start, 60.0)


def taken(number: int, **known: Any) -> Sub:
    return replace(
        Sub(
            uid=uid_of(str(NIGHT), number),
            night=str(NIGHT),
            target="NGC 891",
            filter="L",
            exposure_s=60.0,
            pointing=1,
            begun_utc=datetime.fromtimestamp(BEGIN_S, UTC) + timedelta(minutes=number),
            stage=Stage.CLOSED,
            guide_rms_arcsec=0.6,
            rotation_deg=0.0,
        ),
        **known,
    )


def after_clear_frames(
    out: Path, shown: Mapping[str, Any], known: Mapping[str, Any], guide_limit_arcsec: float | None
) -> tuple[list[float], Frame]:
    """What the watch heard of the last frame, and what the ledger says of it."""
    frames = [*[CLEAR] * USUAL, {**CLEAR, **shown}]
    fields = iter(
        StarField(background_adu=900.0, noise_adu=8.0, fwhm_px=4.0, stars=np.zeros(0, STAR), **one)
        for one in frames
    )

    async def seen(*_: Any) -> StarField:
        return next(fields)

    async def work() -> tuple[list[float], Frame]:
        clock, heard = LoopClock(BEGIN_S), list[JudgedFrame]()
        limit = {"maximum_guide_rms_arcsec": guide_limit_arcsec}
        settings, _ = demo(targets={"L": 60.0}, policies={"frames": limit})
        with Ledger(out / FILE_NAME) as ledger:
            pipeline = FramePipeline(
                *(
                    settings,
                    NIGHT,
                    None,
                    ledger,
                    seen,
                    seen,
                    clock,
                    Log(clock),
                )  # type: ignore[arg-type]
            )
            pipeline.listen(heard.append)
            async with asyncio.TaskGroup() as group:
                pipeline.begin(group)
                for number in range(1, USUAL + 2):
                    sub = taken(number, **(known if number == USUAL + 1 else {}))
                    ledger.begin_sub(replace(sub, stage=Stage.BEGUN))
                    facts = HeaderFacts(kind=FrameKind.LIGHT, exposure_s=60.0)
                    pipeline.take(sub, facts, cast(Exposure, Exposed(sub.begun_utc)))
                    await pipeline.drain()
            last = heard[USUAL]
            told = last.judgement.shows_focus
            radius_px = last.measured.stars.half_flux_radius_px
            return [radius_px] if told else [], ledger.frames()[-1]

    return run_virtual(work())


@pytest.mark.parametrize(
    ("shown", "known", "hears", "verdict"),
    [
        ({}, {}, True, "accepted"),
        ({"half_flux_radius_px": 3.2}, {}, True, "rejected"),  # out of focus, or the air: it judges
        ({"count": 40, "half_flux_radius_px": 2.5}, {}, False, "rejected"),  # cloud
        ({"half_flux_radius_px": 2.5}, {"guide_transparency": 0.5}, False, "rejected"),
        ({"ellipticity": 0.5, "half_flux_radius_px": 2.5}, {}, False, "rejected"),  # wind, a trail
        ({"half_flux_radius_px": 2.5}, {"guide_rms_arcsec": 1.6}, False, "rejected"),
    ],
    ids=["clear", "large stars", "few stars", "cloud between", "drawn out", "badly guided"],
)
def test_the_watch_of_the_focus_hears_of_frames_that_tell_of_it(
    tmp_path: Path, shown: Mapping[str, Any], known: Mapping[str, Any], hears: bool, verdict: str
) -> None:
    heard, frame = after_clear_frames(tmp_path, shown, known, guide_limit_arcsec=1.5)
    assert heard == ([{**CLEAR, **shown}["half_flux_radius_px"]] if hears else [])
    assert frame.verdict.value == verdict
    assert bool(frame.reason) is (verdict == "rejected")


@pytest.mark.parametrize(("rms_arcsec", "hears"), [(0.9, True), (3.5, False)])
def test_a_frame_guided_far_worse_than_usual_counts_but_does_not_tell_of_the_focus(
    tmp_path: Path, rms_arcsec: float, hears: bool
) -> None:
    """Without any limit to the guide error, which is the default."""
    known = {"guide_rms_arcsec": rms_arcsec}
    shown = {"half_flux_radius_px": 2.5}
    heard, frame = after_clear_frames(tmp_path, shown, known, guide_limit_arcsec=None)
    assert heard == ([2.5] if hears else [])
    assert frame.verdict.value == "accepted"
