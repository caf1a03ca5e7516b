"""File name patterns: checked when they are read, safe whatever they are filled with."""

from datetime import UTC, date, datetime
from pathlib import PurePosixPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.settings.frame_path import NameFacts, NamePattern
from nightloom.settings.policies import FramesPolicy
from nightloom_drivers.frame_kind import FrameKind

USUAL = FramesPolicy().name_pattern


def facts(target: str = "NGC 7000", filter_name: str = "L") -> NameFacts:
    """The seventh frame of a night."""
    return NameFacts(
        target=target,
        filter=filter_name,
        kind=FrameKind.LIGHT,
        exposure_s=120.0,
        utc=datetime(2026, 9, 13, 1, 2, 3, tzinfo=UTC),
        night=date(2026, 9, 12),
        number=7,
    )


def test_a_usual_name() -> None:
    assert NamePattern(USUAL).path(facts()) == PurePosixPath(
        "2026-09-12/NGC_7000/NGC_7000_0007_L_120s_20260913T010203.fits"
    )


def test_the_ending_need_not_be_written() -> None:
    assert NamePattern("{night}_{number}").path(facts()) == PurePosixPath("2026-09-12_7.fits")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("{object}_{number}", r"unknown field \{object\}; allowed are target, filter"),
        ("{target.__class__}_{number}", "unknown field"),
        ("{0}_{number}", "unknown field"),
        ("{}_{number}", "unknown field"),
        ("{target!r}_{number}", "plain format"),
        ("{target:{number}}_{number}", "plain format"),
        ("{number:s}", "cannot be filled in"),
        ("{target", "no pattern"),
        ("/tmp/{number}", "below the frame folder"),
        ("../{number}", "below the frame folder"),
        ("a//{number}", "below the frame folder"),
        ("{target}_{filter}", "a frame and the next one one name"),
        ("{night}/{utc:%H%M}", "a frame and the next one one name"),
        ("{target}_{number}", "the same frame of another day one name"),
        ("{kind}_{number}", "needs {night} and {number}, or {utc} to the second"),
        ("{utc:%d}_{number}", "the same frame of another month one name"),
        ("{utc:%m%dT%H%M%S}", "the same frame of another year one name"),
        ("", "below the frame folder"),
    ],
)
def test_a_bad_pattern_is_told(text: str, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        NamePattern(text)


@given(target=st.text(max_size=400), filter_name=st.text(max_size=400))
def test_no_name_escapes_its_folder(target: str, filter_name: str) -> None:
    """Three parts, each plain ASCII, not hidden and short enough, whatever the target is called."""
    path = NamePattern(USUAL).path(facts(target, filter_name))
    assert len(path.parts) == 3
    assert not path.is_absolute()
    assert path.suffix == ".fits"
    for part in path.parts:
        assert part.isascii()
        assert " " not in part
        assert not part.startswith(".")
        assert len(part) <= 255
