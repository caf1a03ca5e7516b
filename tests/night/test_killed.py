"""`kill -9` along a frame's way: counted once or not at all, and never lost once it was whole.

A child process lives through a night and kills itself at a marked place on the way of its second
frame. The restart is another night in the same folder, in which nothing can be taken.
"""

import hashlib
import inspect
import json
import os
import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from astropy.io import fits

from night.nights import NIGHT, SELDOM_S, Story, demo, live
from nightloom.frames import pipeline as taking_in
from nightloom.frames import writer
from nightloom.ledger import FILE_NAME, Frame, Ledger, Stage
from nightloom.settings import Settings
from nightloom.telemetry import Event, Log
from nightloom.telemetry import events as e
from nightloom_drivers.devices import Camera, Exposure
from nightloom_drivers.rig_settings import RigSettings

SUB_S = 10.0
NEVER_REACHED = 3
"""Exit status of a child that lived through its night."""

NO_FILE, PARTIAL, WHOLE = "no file", "partial", "whole"
"""What there is of the second frame where the child is killed; WHOLE must count, once."""


def of_stage(stage: Stage) -> Callable[..., bool]:
    """Whether a sub has come so far."""
    return lambda _, sub: sub.stage is stage


def of_kind(kind: type[Event]) -> Callable[..., bool]:
    """Whether an event is of that kind."""
    return lambda _, event: isinstance(event, kind)


@dataclass(frozen=True)
class Place:
    """Before or after the `number`th call of a function, counted from the second sub's begin."""

    name: str
    owner: Any
    function: str
    after: bool
    there: str
    number: int = 1
    picks: Callable[..., bool] = field(default=lambda *_: True)


def before(name: str, owner: Any, function: str, there: str, **more: Any) -> Place:
    return Place(f"before {name}", owner, function, after=False, there=there, **more)


def after(name: str, owner: Any, function: str, there: str, **more: Any) -> Place:
    return Place(f"after {name}", owner, function, after=True, there=there, **more)


PLACES = (
    after("the record", Ledger, "begin_sub", NO_FILE),
    after("the shutter opened", Camera, "begin", NO_FILE),
    after("the shutter closed", Exposure, "shutter_closed", NO_FILE),
    after("it is said closed", Ledger, "follow_sub", NO_FILE, picks=of_stage(Stage.CLOSED)),
    after("the last byte", Exposure, "frame", NO_FILE),
    after("it is said here", Ledger, "follow_sub", NO_FILE, picks=of_stage(Stage.ARRIVED)),
    before("the temporary file", writer, "_write_durably", NO_FILE),
    Place("half of its bytes", writer, "summed", after=False, there=PARTIAL, number=2),
    before("its fsync", os, "fsync", PARTIAL),
    after("its fsync", os, "fsync", PARTIAL),
    after("its name", os, "link", WHOLE),
    after("the folder's fsync", writer, "sync_folder", WHOLE),
    after("it is said stored", Ledger, "follow_sub", WHOLE, picks=of_stage(Stage.STORED)),
    after("it is measured", taking_in, "measure_frame", WHOLE),
    after("the verdict", taking_in, "judge", WHOLE),
    *(after(f"card {n}", os, "pwrite", WHOLE, number=n) for n in (1, 3, 4)),
    before("its hash", hashlib, "file_digest", WHOLE),
    before("the entry", Ledger, "enter", WHOLE),
    after(
        "half of the entry", Ledger, "_insert", WHOLE, picks=lambda _, table, __: table == "frames"
    ),
    after("the entry", Ledger, "enter", WHOLE),
    after("the event", Log, "emit", WHOLE, picks=of_kind(e.FrameAccepted)),
)

QUICK = {
    "after the record",
    "after it is said closed",
    "before the temporary file",
    "half of its bytes",
    "after its fsync",
    "after its name",
    "after it is said stored",
    "after the verdict",
    "after card 3",
    "before the entry",
    "after half of the entry",
    "after the event",
}
"""One of each few places between which no more comes to disk."""


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def wrap(owner: Any, name: str, hear: Callable[[bool, tuple[Any, ...]], None]) -> None:
    """Have `hear` told before and after each call of a function, also of one that is awaited."""
    inner = getattr(owner, name)

    def plain(*given: Any, **named: Any) -> Any:
        hear(False, given)
        result = inner(*given, **named)
        hear(True, given)
        return result

    async def awaited(*given: Any, **named: Any) -> Any:
        hear(False, given)
        result = await inner(*given, **named)
        hear(True, given)
        return result

    setattr(owner, name, awaited if inspect.iscoroutinefunction(inner) else plain)


def mark(place: Place) -> None:
    """Have this process killed at a place on the way of its second frame."""
    subs, calls = count(1), count(1)
    armed: list[bool] = []

    def arm(over: bool, _: tuple[Any, ...]) -> None:
        if not over and next(subs) == 2:
            armed.append(True)

    def hear(over: bool, given: tuple[Any, ...]) -> None:
        if armed and over is place.after and place.picks(*given) and next(calls) == place.number:
            die()

    if place.function == "writeto":
        inner = fits.PrimaryHDU.writeto

        def half(hdu: fits.PrimaryHDU, file: Any) -> None:
            inner(hdu, file)
            if armed:
                file.flush()
                os.ftruncate(file.fileno(), file.tell() // 2)
                die()

        fits.PrimaryHDU.writeto = half
    else:
        wrap(place.owner, place.function, hear)
    wrap(Ledger, "begin_sub", arm)


def dithering() -> tuple[Settings, RigSettings]:
    """Short subs with a dither between each two, so that the frame before has come to its end."""
    always = {"dither": {"exposed_s_per_pointing": 0.0}}
    return demo(targets={"L": SUB_S}, guide_s=SELDOM_S, policies=always)


def killed_night(out: Path, place: Place) -> None:
    """Live through a night in a child process that is killed at a place."""
    child = os.fork()
    if child == 0:
        try:
            mark(place)
            live(out, dithering(), hours=0.3, frames=True)
        finally:
            os._exit(NEVER_REACHED)
    _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == -signal.SIGKILL, "it was killed there"


def restarted(out: Path) -> Story:
    """The daemon again, in what is left of the night: nothing can be taken any more."""
    return live(out, dithering(), hours=0.2, frames=True)


def ledger_of(out: Path) -> tuple[list[Frame], dict[str, float]]:
    """Its frames and its tally; nothing is in flight."""
    with Ledger.read(out / FILE_NAME) as ledger:
        assert ledger.in_flight() == []
        assert ledger.unfinished() == []
        return ledger.frames(), ledger.accepted_s("NGC 891")


@pytest.mark.parametrize(
    "place",
    [
        pytest.param(place, marks=() if place.name in QUICK else pytest.mark.long)
        for place in PLACES
    ],
    ids=lambda place: place.name,
)
def test_a_frame_counts_once_or_not_at_all_and_never_is_lost_once_whole(
    place: Place, tmp_path: Path
) -> None:
    killed_night(tmp_path, place)
    folder = tmp_path / "frames"
    left = {path for path in folder.rglob("*") if path.is_file()}
    whole = {path for path in left if path.suffix == ".fits"}
    assert len(whole) == (2 if place.there == WHOLE else 1), "the place is where it says"
    assert bool(left - whole) >= (place.there == PARTIAL)
    with Ledger.read(tmp_path / FILE_NAME) as ledger:
        entered = {frame.uid for frame in ledger.frames()}

    story = restarted(tmp_path)
    frames, tally_s = ledger_of(tmp_path)
    assert {path for path in folder.rglob("*") if path.is_file()} == whole, "nothing else is left"
    assert {folder / frame.path for frame in frames} == whole
    assert len(frames) == len(whole)
    assert tally_s == {"L": SUB_S * len(whole)}
    for frame in frames:
        path = folder / frame.path
        assert hashlib.sha256(path.read_bytes()).hexdigest() == frame.sha256
        with fits.open(path, checksum=True) as hdus:
            header = hdus[0].header
            assert hdus[0].data.shape == (480, 640)
        assert (header["FRAMEID"], header["VERDICT"]) == (frame.uid, "accepted")
        assert header["STARCNT"] == frame.stars
        assert header["HALFFLUX"] == frame.half_flux_radius_px
        assert header["AIRMASS"] > 1.0
        assert frame.guide_rms_arcsec == header["GUIDERMS"]
    found = {event.uid for event in story.of(e.FrameFound)}
    assert found == {frame.uid for frame in frames} - entered
    assert [event.uid for event in story.of(e.FrameAccepted)] == sorted(found)
    assert len(story.of(e.PartialRemoved)) == (place.there == PARTIAL)

    if place.there != WHOLE:
        return
    again = restarted(tmp_path)
    assert ledger_of(tmp_path) == (frames, tally_s)
    assert again.of(e.FrameAccepted) == again.of(e.FrameFound) == again.of(e.Restarted) == []
    lines = [json.loads(line) for line in (tmp_path / f"{NIGHT}.jsonl").read_text().splitlines()]
    kept = [line["uid"] for line in lines if line["event"] == "frame_accepted"]
    assert len(kept) == len(set(kept)), "none was counted twice"
