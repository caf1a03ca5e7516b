"""Whatever is written into a configuration, it loads or fails with clear sentences."""

import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from nightloom.checks.notes import notes
from nightloom.checks.plausible import impossible, unlikely
from nightloom.settings import SettingsError, demo_folder, read_settings

EXAMPLE = demo_folder().parent / "example"
FILES = ("observatory.toml", "targets.toml", "policies.toml")
TEXTS = {file: (EXAMPLE / file).read_bytes() for file in FILES}

NOW_S = 1794841200.0

ODD_VALUES = (
    b"nan", b"inf", b"-inf", b"1e999", b"-0.0", b"0x" + b"f" * 5000, b"9" * 5000, b"1_0",
    b"1979-05-27T07:32:00Z", b"07:32:00", b"2026-02-30", b"[]", b"{}", b"[[]]", b"[[1, 2, 3]]",
    b"[1, \"a\"]", b"{a = 1}", b'""', b'"\\u0000"', b'"~nobody-is-called-so/x"', b'"\\uD800"',
    b'"\\U0010FFFF"', b"'''\n'''", b"true", b"1.5.2", b"1,5", b"abc", b"\xff", b"\xef\xbb\xbf",
    b"[" * 2000, b"-1", b"1e308", b"18446744073709551616", b'"60m60s"', b'"-90d60m"', b'"B1875.0"',
    b'"J2199.99"', b'"{night.__class__}/{number}"', b'"{number:9999999999d}{night}"',
    b'"{utc:%}{night}{number}"', b'"Europe"', b'"../../etc/passwd"',
)  # fmt: skip
"""What people and disks put in the place of a value, and what lies in wait for parsers."""

CORPUS = (
    b"", b"\n", b"#", b"[", b"[[target]]", b"target = 1", b"target = [1]", b"target = [[]]",
    b"=", b"a", b"a.b.c = 1", b"[site]\n[site]", b"site = 1\n[site]", b"\x00", b"\r", b"\xc3\x28",
    b"[filter]\nL = 1", b"filter = []", b"[filter.\"\"]\noffset_steps = 0", b"weather = [[]]",
    b"[weather.limit]\nX = 1", b"[weather.limit.X]\nmaximum_ = 1", b"[weather.limit.X]\n_c = 1",
    b"[[target]]\nname = 'x'\nra = 1\ndec = 'x'", b"[[target]]\ngroup = [1]",
    b"[[target]]\n[[target.group]]", b"[dark]\nsun_altitude_deg = [[[[]]]]",
    b"[focus]\nfilter = []", b"[acquire]\nfilter = {}", b"[filter.L]\nblind = []",
    b"[frames]\nname_pattern = \"{night!r}\"", b"[power.outlet.moon]\nvector = 'x'",
    b"[guide_camera]\nsaturation_adu = 1e-300\nfocal_length_mm = 1e308\npixel_um = 0.5",
)  # fmt: skip
"""Whole files that were, or might have been, too much for a reader."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the example, to be spoilt."""
    copy = tmp_path_factory.mktemp("spoilt") / "config"
    shutil.copytree(EXAMPLE, copy)
    return copy


def read_spoilt(folder: Path, file: str, data: bytes) -> None:
    """Read the example with one file spoilt, and look at it as `check` does."""
    for name, text in TEXTS.items():
        (folder / name).write_bytes(data if name == file else text)
    try:
        said = read_settings(folder)
    except SettingsError as error:
        sentences = [str(problem) for problem in error.problems]
    else:
        sentences = [str(problem) for problem in impossible(said)]
        sentences += [*unlikely(said, NOW_S), *notes(said)]
    for sentence in sentences:
        assert sentence.endswith(".")
        assert "\n" not in sentence
        assert len(sentence) < 2000


@st.composite
def spoilt(draw: st.DrawFn) -> tuple[str, bytes]:
    """A file of the example with a few slips: of the pen, of an editor, or of a disk."""
    file = draw(st.sampled_from(FILES))
    lines = TEXTS[file].split(b"\n")
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(lines) - 1))
        key, equals, _ = lines[at].partition(b" = ")
        slips = ["leave out", "twice", "cut", "byte", "move"] + ["value"] * (5 if equals else 0)
        match draw(st.sampled_from(slips)):
            case "value":
                lines[at] = key + equals + draw(st.sampled_from(ODD_VALUES))
            case "leave out":
                del lines[at : at + draw(st.integers(1, 5))]
            case "twice":
                lines.insert(at, lines[at])
            case "move":
                lines.insert(draw(st.integers(0, len(lines) - 1)), lines.pop(at))
            case "cut":
                lines[at] = lines[at][: draw(st.integers(0, 20))]
            case "byte":
                where = draw(st.integers(0, len(lines[at])))
                lines[at] = lines[at][:where] + draw(st.binary(max_size=3)) + lines[at][where:]
        lines = lines or [b""]
    return file, b"\n".join(lines)


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(slip=spoilt())
def test_a_spoilt_example_loads_or_is_explained(folder: Path, slip: tuple[str, bytes]) -> None:
    read_spoilt(folder, *slip)


@pytest.mark.parametrize("file", FILES)
def test_what_was_once_too_much_is_explained(folder: Path, file: str) -> None:
    """The corpus as whole files, and each odd value in the place of each value of one line."""
    for data in CORPUS:
        read_spoilt(folder, file, data)


@pytest.mark.parametrize("value", ODD_VALUES, ids=range(len(ODD_VALUES)))
def test_an_odd_value_is_explained(folder: Path, value: bytes) -> None:
    """In the place of a number, a text, a path, a list, a pattern and an angle."""
    for file, key in (
        ("observatory.toml", b"latitude_deg = "),
        ("observatory.toml", b"output_folder = "),
        ("observatory.toml", b"slots = "),
        ("observatory.toml", b"time_zone = "),
        ("observatory.toml", b"hour_angle_pier_west_h = "),
        ("policies.toml", b"name_pattern = "),
        ("policies.toml", b"address = "),
        ("targets.toml", b"name = "),
        ("targets.toml", b"ra = "),
        ("targets.toml", b"equinox = "),
    ):
        before, _, after = TEXTS[file].partition(b"\n" + key)
        rest = after.partition(b"\n")[2]
        read_spoilt(folder, file, before + b"\n" + key + value + b"\n" + rest)
