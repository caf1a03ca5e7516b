"""What a killed daemon left of a night is brought to its end by day as well."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from night.nights import NIGHT, demo
from nightloom.executor import InLine
from nightloom.frames import HeaderFacts, partial_of
from nightloom.frames.header import header_to_judge
from nightloom.frames.writer import write_frame
from nightloom.ledger import FILE_NAME, Ledger, Stage, Sub, uid_of
from nightloom.night.left_over import settled
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry import events as e
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.virtual_loop import run_virtual

EVENING = datetime(2026, 11, 10, 20, tzinfo=UTC)
TOMORROW = NIGHT + timedelta(days=1)
SUB_S = 60.0


def at(out: Path) -> Settings:
    settings, rig = demo(targets={"L": SUB_S})
    return replace(
        settings,
        observatory=settings.observatory.model_copy(update={"output_folder": out}),
        rig=rig,
    )


def sub(ledger: Ledger, number: int, stage: Stage, path: str = "") -> Sub:
    """A sub that came so far."""
    begun = EVENING + timedelta(minutes=2 * number)
    one = Sub(uid_of(str(NIGHT), number), str(NIGHT), "NGC 891", "L", SUB_S, 1, begun, path=path)
    ledger.begin_sub(one)
    one = replace(one, stage=stage, start_utc=begun)
    ledger.follow_sub(one)
    return one


def settle(out: Path, ledger: Ledger) -> tuple[list[Any], list[Any]]:
    """The nights that were cut short, and what was said."""

    async def work() -> tuple[list[Any], list[Any]]:
        clock, said = LoopClock((EVENING + timedelta(hours=16)).timestamp()), list[Any]()
        log = Log(clock)
        with log.listen(lambda _, event: said.append(event)):
            nights = await settled(at(out), ledger, TOMORROW, InLine(), InLine(), clock, log)
        return nights, said

    return run_virtual(work())


def test_a_frame_on_disk_counts_and_the_night_is_over(tmp_path: Path) -> None:
    with Ledger(tmp_path / FILE_NAME) as ledger:
        ledger.begin("night", {"night": str(NIGHT)}, EVENING)
        ledger.begin("roof", {"act": "open"}, EVENING)
        whole = sub(ledger, 1, Stage.STORED, "whole.fits")
        torn = sub(ledger, 2, Stage.ARRIVED, "torn.fits")
        sub(ledger, 3, Stage.CLOSED)
        sky = np.random.default_rng(1).normal(900.0, 8.0, (480, 640)).astype(np.uint16)
        facts = HeaderFacts(kind=FrameKind.LIGHT, uid=whole.uid, exposure_s=SUB_S)
        write_frame(tmp_path / "frames" / whole.path, sky, header_to_judge(facts))
        partial_of(tmp_path / "frames" / torn.path).write_bytes(b"half a frame")

        nights, said = settle(tmp_path, ledger)

        assert nights == [NIGHT]
        assert [frame.uid for frame in ledger.frames()] == [whole.uid]
        assert (ledger.in_flight(), ledger.unfinished()) == ([], [])
        assert [one.name for one in (tmp_path / "frames").iterdir()] == ["whole.fits"]
        (told,) = [event for event in said if isinstance(event, e.LeftOverSettled)]
        assert len(told.unfinished) == 5
        assert settle(tmp_path, ledger) == ([], []), "once"


def test_what_belongs_to_the_next_night_is_left_to_it(tmp_path: Path) -> None:
    with Ledger(tmp_path / FILE_NAME) as ledger:
        ledger.begin("pause", {"night": str(TOMORROW)}, EVENING)
        assert settle(tmp_path, ledger) == ([], [])
        assert [act.kind for act in ledger.unfinished()] == ["pause"]


@pytest.mark.parametrize("kind", ["night", "pause"])
def test_a_disk_that_refuses_leaves_it_to_the_next_night(tmp_path: Path, kind: str) -> None:
    with Ledger(tmp_path / FILE_NAME) as ledger:
        ledger.begin(kind, {"night": str(NIGHT)}, EVENING)
        ledger._connection.execute("PRAGMA query_only = ON")
        nights, said = settle(tmp_path, ledger)
        assert nights == []
        assert [type(event) for event in said] == [e.UpkeepFailed]
        ledger._connection.execute("PRAGMA query_only = OFF")
        assert len(ledger.unfinished()) == 1
