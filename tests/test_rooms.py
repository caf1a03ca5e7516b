"""The house: rules apart from what acts, files and functions of a readable size."""

import ast
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DAEMON = ROOT / "daemon" / "nightloom"
SOURCES = sorted([*DAEMON.rglob("*.py"), *(ROOT / "drivers").rglob("*.py")])

ACTING = {
    "calibration_frames": {"library"},
    "clouds": {"monitor"},
    "cycle": set[str](),
    "drawing": set[str](),
    "faults": {"trying"},
    "focusing": {"runs", "scanning", "watching", "records", "learned", "kept_focus", "confirming"},
    "frames": {"pipeline", "download", "measuring", "disk", "records", "recovery", "weighing"},
    "guiding": {
        "guiding",
        "loop",
        "settling",
        "readings",
        "held_stars",
        "kept_calibrations",
        "calibrate",
        "devices",
        "hot_map",
    },
    "pointing": {"centring", "kept_offsets"},
    "remote": {
        "app",
        "accepting",
        "connections",
        "gate",
        "lines",
        "painter",
        "preview",
        "refusals",
        "server",
        "streams",
    },
    "report": {
        "apart",
        "by_itself",
        "looking_up",
        "morning",
        "pictures",
        "reading",
        "shelves",
        "writing",
    },
    "requests": {"door", "call"},
    "safety": {"guard", "make_safe", "acts", "pier"},
    "schedule": {"schedule", "costs"},
    "sky": set[str](),
}
"""For each room the files that act or remember; all others hold rules."""

FORBIDDEN = (
    "asyncio", "structlog", "nightloom_drivers.clock", "nightloom_drivers.link",
    "nightloom_drivers.devices", "nightloom.ledger", "nightloom.telemetry", "nightloom.executor",
)  # fmt: skip

LINES_MAX, FUNCTION_LINES_MAX = 300, 40
LONG_ON_PURPOSE = "Long on purpose:"
"""A file over LINES_MAX says so in its docstring, and why."""

NAMES_ALONE = {("pointing", "offsets", "nightloom_drivers.devices")}
"""Where a rule takes a name from a device: the sides of a pier."""


def imported(tree: ast.Module) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


def test_every_room_is_sorted_into_rules_and_what_acts() -> None:
    for room, acting in ACTING.items():
        there = {file.stem for file in (DAEMON / room).glob("*.py")}
        assert acting <= there, room


@pytest.mark.parametrize("room", ACTING)
def test_rules_know_no_clock_no_device_no_ledger_and_no_log(room: str) -> None:
    for file in (DAEMON / room).glob("*.py"):
        if file.stem in ACTING[room]:
            continue
        for name in imported(ast.parse(file.read_text())):
            if (room, file.stem, name) in NAMES_ALONE:
                continue
            assert not name.startswith(FORBIDDEN), f"{file.relative_to(ROOT)} imports {name}"


def test_the_next_sub_is_decided_by_facts_alone() -> None:
    for name in imported(ast.parse((DAEMON / "night" / "next_sub.py").read_text())):
        assert not name.startswith((*FORBIDDEN, "nightloom.safety", "nightloom.rig")), name


def untyped_libraries() -> tuple[str, ...]:
    """Those that mypy is told to take as they are."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    (override,) = project["tool"]["mypy"]["overrides"]
    return tuple(name.removesuffix(".*") for name in override["module"])


def test_only_a_file_that_imports_an_untyped_library_speaks_of_any() -> None:
    untyped = untyped_libraries()
    for file in SOURCES:
        tree = ast.parse(file.read_text())
        if not any(name.partition(".")[0] in untyped for name in imported(tree)):
            said = {getattr(node, "name", getattr(node, "attr", "")) for node in ast.walk(tree)}
            assert "Any" not in said, f"{file.relative_to(ROOT)} may say object, or what it means"


def test_a_long_file_says_why() -> None:
    for file in SOURCES:
        text = file.read_text()
        if len(text.splitlines()) > LINES_MAX:
            said = ast.get_docstring(ast.parse(text)) or ""
            assert LONG_ON_PURPOSE in said, file.relative_to(ROOT)


def test_functions_are_short() -> None:
    """Without their docstrings, which may be as long as they need to be."""
    for file in SOURCES:
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                first = node.body[1] if ast.get_docstring(node) and node.body[1:] else node.body[0]
                last = node.end_lineno or node.lineno
                lines = last - first.lineno + 1
                assert lines <= FUNCTION_LINES_MAX, f"{file.relative_to(ROOT)}: {node.name}"


def test_no_benchmark_hides_a_folder_of_the_tests() -> None:
    """A module beside a script that is run goes before a folder without `__init__.py`."""
    folders = {folder.name for folder in (ROOT / "tests").iterdir() if folder.is_dir()}
    assert not folders & {file.stem for file in (ROOT / "tests/benchmarks").glob("*.py")}
