"""Frames: star measurement, headers, names, and writing them so that none is lost."""

from nightloom.frames.header import HeaderFacts, frame_header, header_to_judge, judged_cards
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
from nightloom.frames.writer import (
    FrameExists,
    FrameNotRead,
    FrameNotWritten,
    amend_frame,
    frame_at,
    partial_of,
    read_frame,
    remove_partial,
    write_frame,
)

__all__ = [
    "RECENT_GUIDED",
    "SAMPLE_PX",
    "STAR",
    "ZONE",
    "FrameExists",
    "FrameNotMeasured",
    "FrameNotRead",
    "FrameNotWritten",
    "HeaderFacts",
    "QualityPolicy",
    "StarField",
    "Usual",
    "amend_frame",
    "frame_at",
    "frame_header",
    "guided_as_usual",
    "header_to_judge",
    "judged_cards",
    "measure",
    "partial_of",
    "quality_doubt",
    "read_frame",
    "remove_partial",
    "write_frame",
]
