"""The library of calibration frames, as ledger and disk have it, and what it lacks."""

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from functools import partial
from pathlib import Path

from astropy.io.fits import Header

from nightloom.calibration_frames.level import Light
from nightloom.calibration_frames.needs import Kept, Look, Need, Rule, Rules, needs
from nightloom.executor import Executor
from nightloom.frames import HeaderFacts, frame_header, write_frame
from nightloom.frames.image import Pixels
from nightloom.ledger import CalibrationFrame, Frame, Ledger, Verdict, in_time
from nightloom.settings import Settings
from nightloom.settings.calibration import CalibrationPolicy
from nightloom.settings.frame_path import NameFacts, NamePattern
from nightloom_drivers.frame_kind import FrameKind

FOLDER = "calibration"
"""Their folder, below that of all output and beside that of frames."""

_NAME = "{kind}/{night}/{kind}_{number:04d}_{exposure_s:g}s_{utc:%Y%m%dT%H%M%S}"
_FLAT_NAME = "{kind}/{night}/{kind}_{number:04d}_{filter}_{exposure_s:.3g}s_{utc:%Y%m%dT%H%M%S}"


def rules_of(policy: CalibrationPolicy) -> Rules:
    """What the settings want."""
    return Rules(
        {
            FrameKind.BIAS: Rule(policy.biases, policy.bias_days),
            FrameKind.DARK: Rule(policy.darks, policy.dark_days),
            FrameKind.FLAT: Rule(policy.flats, policy.flat_days),
        },
        policy.temperature_tolerance_c,
        policy.rotation_tolerance_deg,
    )


def needs_of(ledger: Ledger, settings: Settings, now: datetime) -> tuple[Need, ...]:
    """What the accepted lights of all nights ask for, and what there is. Raises LedgerError."""
    lights = [
        light_look(frame)
        for frame in ledger.frames()
        if frame.verdict is Verdict.ACCEPTED and frame.kind is FrameKind.LIGHT
    ]
    kept = [Kept(one.kind, kept_look(one)) for one in ledger.calibration_frames()]
    return needs(lights, kept, rules_of(settings.policies.calibration), now.timestamp())


def light_look(frame: Frame) -> Look:
    """How a light was taken; one of before the binning was written down had none."""
    return Look(
        frame.exposure_s,
        frame.filter,
        frame.gain,
        frame.camera_offset,
        frame.binning or 1,
        frame.sensor_c,
        frame.rotation_deg,
        frame.start_utc.timestamp(),
    )


def kept_look(frame: CalibrationFrame) -> Look:
    """How a calibration frame was taken."""
    return Look(
        frame.exposure_s,
        frame.filter,
        frame.gain,
        frame.camera_offset,
        frame.binning,
        frame.sensor_c,
        frame.rotation_deg,
        frame.start_utc.timestamp(),
    )


def in_words(need: Need) -> str:
    """What a need is of, as people say it."""
    match need.kind:
        case FrameKind.FLAT:
            what = f"flats in {need.filter}"
        case FrameKind.DARK:
            what = f"darks of {need.exposure_s:g} s"
        case _:
            what = "biases"
    if need.sensor_c is None:
        return what
    return f"{what} at {need.sensor_c:.0f} °C".replace("-", "−")


def lacking_in_words(found: Sequence[Need]) -> list[str]:
    """What is missing of each need that lacks something."""
    return [f"{one.missing} {in_words(one)}" for one in found if one.missing]


class Library:
    """Puts a night's calibration frames into a folder, where there is one, and the ledger."""

    def __init__(self, folder: Path | None, night: date, ledger: Ledger, store: Executor) -> None:
        self._folder, self._night = folder, night
        self._ledger, self._store = ledger, store

    async def keep(
        self,
        pixels: Pixels,
        facts: HeaderFacts,
        level_adu: float,
        panel: float | None,
        rotation_deg: float | None,
    ) -> CalibrationFrame:
        """Keep one. Raises FrameNotWritten, FrameExists and LedgerError."""
        assert facts.started_at is not None
        assert facts.exposure_s is not None
        number = 1 + len(self._ledger.calibration_frames(night=str(self._night)))
        uid, path, sha256 = f"{self._night}-{facts.kind}-{number:04d}", "", ""
        if self._folder is not None:
            path = self._path(facts, number, facts.started_at)
            header = frame_header(_named(facts, uid))
            sha256 = await self._store(_written, self._folder / path, pixels, header)
        frame = CalibrationFrame(
            uid=uid,
            night=str(self._night),
            kind=facts.kind,
            filter=facts.filter_name or "",
            exposure_s=facts.exposure_s,
            start_utc=facts.started_at,
            path=path,
            sha256=sha256,
            level_adu=level_adu,
            gain=facts.gain,
            camera_offset=facts.offset,
            binning=facts.binning or 1,
            sensor_c=facts.sensor_temperature_c,
            rotation_deg=rotation_deg,
            panel_level=panel,
        )
        await in_time(partial(self._ledger.add_calibration_frame, frame))
        return frame

    def panel_light(self, filter_name: str) -> Light | None:
        """Exposure and brightness of the latest flat of the panel in a filter, or None."""
        flats = [
            one
            for one in self._ledger.calibration_frames()
            if one.filter == filter_name and one.panel_level is not None
        ]
        return Light(flats[-1].exposure_s, flats[-1].panel_level or 0.0) if flats else None

    def latest_rotation_deg(self) -> float | None:
        """How the camera is turned, by the latest accepted light that was solved."""
        return self._ledger.latest_rotation_deg()

    def _path(self, facts: HeaderFacts, number: int, start: datetime) -> str:
        pattern = _FLAT_NAME if facts.kind is FrameKind.FLAT else _NAME
        named = NameFacts(
            target=facts.kind,
            filter=facts.filter_name or "",
            kind=facts.kind,
            exposure_s=facts.exposure_s or 0.0,
            utc=start,
            night=self._night,
            number=number,
        )
        return str(NamePattern(pattern).path(named))


def _named(facts: HeaderFacts, uid: str) -> HeaderFacts:
    return replace(facts, uid=uid)


def _written(path: Path, pixels: Pixels, header: Header) -> str:
    """Write a frame as lights are written; the SHA-256 of its file in hex."""
    write_frame(path, pixels, header)
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
