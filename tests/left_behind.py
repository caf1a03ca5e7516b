"""Fails a test that leaves a task, a process, a descriptor or a shared-memory segment behind."""

import asyncio
import gc
import sys
from collections.abc import Iterator
from multiprocessing import forkserver, resource_tracker
from pathlib import Path
from typing import Any

import pytest

LIBRARIES = tuple({sys.prefix, sys.base_prefix})
"""A library may keep a file of its own open from its first use on."""

Thing = tuple[str, str]
"""What kind of thing, and which."""


def _descriptors() -> set[Thing]:
    """Open descriptors and what each is of; memfd segments are among them."""
    # Pipes to the helper processes that multiprocessing keeps until this process ends.
    tracker: Any = resource_tracker._resource_tracker
    server: Any = forkserver._forkserver
    kept = {str(tracker._fd), str(server._forkserver_alive_fd)}
    there = set()
    for link in Path("/proc/self/fd").iterdir():
        try:
            of = str(link.readlink())
        except FileNotFoundError:
            continue  # that of the listing itself
        if link.name not in kept and not of.startswith(LIBRARIES):
            there.add((f"descriptor {link.name}", of))
    return there


def _processes() -> set[Thing]:
    """Children of this process, but for multiprocessing's own helpers."""
    tracker: Any = resource_tracker._resource_tracker
    server: Any = forkserver._forkserver
    kept = {str(tracker._pid), str(server._forkserver_pid)}
    children: set[str] = set()
    for thread in Path("/proc/self/task").iterdir():
        try:
            children |= set((thread / "children").read_text().split())
        except (FileNotFoundError, ProcessLookupError):
            continue  # the thread has ended meanwhile
    return {("process", child) for child in children - kept}


@pytest.fixture(autouse=True)
def nothing_left_behind(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Compare what is there before and after the test and its other fixtures.

    A task that was told to end may do so while its loop closes, which waits for it; one that
    nobody told is left behind.
    """
    tasks: list[str] = []
    segments: set[Path] = set()
    run, register = asyncio.Runner.run, resource_tracker.register

    def run_and_look(runner: asyncio.Runner, *args: Any, **options: Any) -> Any:
        try:
            return run(runner, *args, **options)
        finally:
            pending = asyncio.all_tasks(runner.get_loop())
            tasks.extend(repr(task) for task in pending if not task.cancelling())

    def register_and_note(name: str, kind: str) -> None:
        if kind == "shared_memory":  # /dev/shm itself tells nobody whose a segment is
            segments.add(Path("/dev/shm") / name.lstrip("/"))
        register(name, kind)

    monkeypatch.setattr(resource_tracker, "register", register_and_note)
    monkeypatch.setattr(asyncio.Runner, "run", run_and_look)
    descriptors, processes = _descriptors(), _processes()
    yield
    left = _descriptors() - descriptors
    if left:  # what only garbage holds is let go first
        gc.collect()
        left &= _descriptors()
    now = _processes()
    if len(now) > len(processes):  # a server that several tests share may have been started again
        left |= now - processes
    left |= {("segment", segment.name) for segment in segments if segment.exists()}
    if left or tasks:
        what = [*(f"{kind}: {name}" for kind, name in sorted(left)), *tasks]
        pytest.fail("left behind:\n  " + "\n  ".join(what))
