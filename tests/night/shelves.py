"""Rehearsed days in which the library of calibration frames is filled, without a night before."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from night.nights import NIGHT, Story, demo
from nightloom.ledger import FILE_NAME, CalibrationFrame, Frame, Ledger, Verdict
from nightloom.night.fill import fill
from nightloom.rehearsal import Meddler, Rehearsal, play_virtually
from nightloom.settings import Settings
from nightloom.telemetry import Event
from nightloom_drivers.rig_settings import RigSettings

FEW = {"biases": 3, "darks": 2, "flats": 2, "flats_of": "panel"}
"""Enough frames to see that each of a set is as it should be."""


def with_few(rig: Mapping[str, Any] | None = None, **policy: Any) -> tuple[Settings, RigSettings]:
    """The demo that wants a few of each."""
    return demo(policies={"calibration": {**FEW, **policy}}, rig=rig, guide_s=6.0)


EVENING_BEFORE = datetime(NIGHT.year, NIGHT.month, NIGHT.day, tzinfo=UTC) - timedelta(hours=2)


def lights(
    out: Path,
    *filters: str,
    exposure_s: float = 60.0,
    sensor_c: float = -10.0,
    began: datetime = EVENING_BEFORE,
    gain: float = 100.0,
    offset: float = 50.0,
) -> None:
    """A ledger with an accepted light in each filter, of the evening before by default."""
    night = f"{began:%Y-%m-%d}"
    out.mkdir(parents=True, exist_ok=True)
    with Ledger(out / FILE_NAME) as ledger:
        for number, name in enumerate(filters, 1):
            ledger.add_frame(
                Frame(
                    uid=f"{night}-{number:04d}",
                    night=night,
                    target="NGC 891",
                    filter=name,
                    exposure_s=exposure_s,
                    start_utc=began + timedelta(minutes=number),
                    path="",
                    sha256="",
                    verdict=Verdict.ACCEPTED,
                    reason="",
                    pointing=1,
                    rotation_deg=3.0,
                    gain=gain,
                    camera_offset=offset,
                    binning=1,
                    sensor_c=sensor_c,
                )
            )


def filled(
    out: Path, changed: tuple[Settings, RigSettings], meddler: Meddler | None = None
) -> tuple[Story, list[CalibrationFrame]]:
    """Let a noon go by in which the library is filled; what happened, and what it holds."""
    rehearsal = Rehearsal(*changed, NIGHT, out, seed=7, by_day=fill)
    events: list[tuple[datetime, Event]] = []
    played = play_virtually(rehearsal, lambda _: (lambda utc, e: events.append((utc, e)),), meddler)
    with Ledger.read(out / FILE_NAME) as ledger:
        return Story(played, tuple(events), (), rehearsal), ledger.calibration_frames()
