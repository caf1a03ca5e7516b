"""Frames: star measurement, headers, names, and writing them so that none is lost."""

from nightloom.frames.header import FrameFacts, frame_header
from nightloom.frames.names import NameFacts, NamePattern
from nightloom.frames.quality import (
    RECENT_GUIDED,
    QualityPolicy,
    Usual,
    guided_as_usual,
    quality_doubt,
)
from nightloom.frames.stars import (
    SAMPLE_PX,
    STAR,
    ZONE,
    FrameNotMeasured,
    StarField,
    measure,
)
from nightloom.frames.writer import FrameExists, FrameNotWritten, write_frame

__all__ = [
    "RECENT_GUIDED",
    "SAMPLE_PX",
    "STAR",
    "ZONE",
    "FrameExists",
    "FrameFacts",
    "FrameNotMeasured",
    "FrameNotWritten",
    "NameFacts",
    "NamePattern",
    "QualityPolicy",
    "StarField",
    "Usual",
    "frame_header",
    "guided_as_usual",
    "measure",
    "quality_doubt",
    "write_frame",
]
