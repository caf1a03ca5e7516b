"""Frames: star measurement, headers, names, and writing them so that none is lost."""

from nightloom.frames.header import FrameFacts, frame_header
from nightloom.frames.names import NameFacts, NamePattern
from nightloom.frames.quality import QualityPolicy, UsualSize, quality_doubt
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
    "UsualSize",
    "frame_header",
    "measure",
    "quality_doubt",
    "write_frame",
]
