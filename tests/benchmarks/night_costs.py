"""What a rehearsed night costs: wall time on virtual time, and memory over a real socket.

    .uv/bin/uv run python tests/benchmarks/night_costs.py demo|big|memory [--hours H] [--limits]

`demo` is the demo night with all its pixels, `big` the same with a sensor of 26 megapixels (both
whole, unless --hours says otherwise, and then set against that part of the limit). `memory` runs
the daemon through INDI's protocol on such frames, with short exposures, and looks at it and its
children from outside, the simulated rig left out, until so many frames were kept.

A process counts with what is its own and its part of what it shares with others (PSS, proc(5));
memory files, which carry frames from one process to another, count once and whole, whether they
are mapped or only held open.
"""

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from nightloom.settings import demo_folder

DEMO_S_MAX, BIG_S_MAX = 45.0, 600.0
MEMORY_MB_MAX, GROWTH_MB_MAX = 400.0, 10.0
NIGHT = "2026-11-10"
BIG = "width_px = 6248\nheight_px = 4176\n"
MARKS = (0, 10, 50, 150, 300)
"""After so many kept frames the memory is looked at."""

SUB_S, SPEED = 6.0, 2.0
"""Of the memory's frames; what a busy machine of two cores keeps up with."""

SOON = "open_before_s = 60.0\ncool_before_s = 120.0\n"
"""An evening that is not waited for."""

LOOKS, LOOK_S = 20, 0.25
"""At each mark; the highest of them counts."""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("demo", "big", "memory"))
    parser.add_argument("--hours", type=float, help="dark hours of the night")
    parser.add_argument("--frames", type=int, default=MARKS[-1], help="kept frames for the memory")
    parser.add_argument("--limits", action="store_true", help="fail on a missed promise")
    said = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        if said.what == "memory":
            missed = memory(Path(scratch), said.frames)
        else:
            missed = wall(Path(scratch), said.what == "big", said.hours)
    for line in missed:
        print(f"missed: {line}")
    return 1 if said.limits and missed else 0


def wall(scratch: Path, big: bool, hours: float | None) -> list[str]:
    """Rehearse the night; what was promised and missed."""
    config = configured(scratch / "config", BIG if big else "")
    command = [*rehearse(config, scratch / "out"), *(("--hours", str(hours)) if hours else ())]
    told = json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout)
    limit_s = BIG_S_MAX if big else DEMO_S_MAX
    print(
        f"{told['dark_s'] / 3600:.2f} dark hours, {told['subs']} subs, open {told['open_fraction']}"
        f" of {told['bound_fraction']}, rms {told['guide_rms_arcsec']}″, {told['violations']}:"
        f" {told['wall_s']:.1f} s"
    )
    if hours:
        whole_s = told["wall_s"] / hours * WHOLE_H
        print(f"a night of {WHOLE_H:g} h at this pace: {whole_s:.0f} s")
        return [] if whole_s <= limit_s else [f"{whole_s:.0f} s, not {limit_s:g} s"]
    return [] if told["wall_s"] <= limit_s else [f"{told['wall_s']} s, not {limit_s:g} s"]


WHOLE_H = 10.93
"""Dark hours of the demo night."""


def memory(scratch: Path, frames: int) -> list[str]:
    """Rehearse over a socket until so many frames were kept; what was promised and missed."""
    config, out = configured(scratch / "config", BIG, SUB_S, SOON), scratch / "out"
    command = [*rehearse(config, out), "--indi", "--speed", str(SPEED)]
    seen: dict[int, float] = {}
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as daemon:
        try:
            for mark in sorted({mark for mark in MARKS if mark <= frames} | {frames}):
                wait_for(daemon, out, mark)
                seen[mark] = most_mb(daemon)
                print(f"after {mark:3} frames {seen[mark]:6.1f} MB", flush=True)
        finally:
            daemon.kill()  # with which its children end
    missed = []
    if max(seen.values()) > MEMORY_MB_MAX:
        missed.append(f"{max(seen.values()):.0f} MB, not {MEMORY_MB_MAX:g} MB")
    running = [mb for mark, mb in seen.items() if mark]
    if running[-1] - running[0] > GROWTH_MB_MAX:
        missed.append(f"{running[-1] - running[0]:.0f} MB more at the end")
    return missed


def rehearse(config: Path, out: Path) -> list[str]:
    """The command for a night of the configuration."""
    nightloom = str(Path(sys.executable).with_name("nightloom"))
    said = ("--config", str(config), "--out", str(out), "--night", NIGHT, "--seed", "1", "--json")
    return [nightloom, "rehearse", *said]


def configured(folder: Path, sensor: str, sub_s: float = 120.0, early: str = "") -> Path:
    """The demo's configuration with lines for its sensor and for the evening, and with subs of
    other lengths.
    """
    shutil.copytree(demo_folder(), folder)
    rig, targets = folder / "rig.toml", folder / "targets.toml"
    rig.write_text(rig.read_text("utf-8").replace("[sensor]\n", f"[sensor]\n{sensor}"), "utf-8")
    text = targets.read_text("utf-8").replace("exposure_s = 120.0", f"exposure_s = {sub_s}")
    targets.write_text(text, "utf-8")
    policies = folder / "policies.toml"
    soon = policies.read_text("utf-8").replace("[acquire]\n", f"[acquire]\n{early}")
    policies.write_text(soon, "utf-8")
    return folder


def wait_for(daemon: subprocess.Popen[bytes], out: Path, frames: int) -> None:
    """Wait until so many frames were kept, and the daemon has all its children. Frames that nobody
    needs any more are removed meanwhile, for there would be 16 GB of them.
    """
    while kept(out) < frames or len(list(tree(daemon.pid))) < CHILDREN:
        if daemon.poll() is not None:
            raise SystemExit(f"the night ended with status {daemon.returncode}")
        for old in sorted(out.rglob("*.fits"), key=lambda path: path.stat().st_mtime)[:-5]:
            old.write_bytes(b"")
        rest(daemon, 1.0)


CHILDREN = 5
"""The daemon itself, its INDI process, its worker, and the two that start and tidy up workers."""


def kept(out: Path) -> int:
    return sum(1 for _ in out.rglob("*.fits"))


def rest(daemon: subprocess.Popen[bytes], seconds: float) -> None:
    """Let the daemon go on for a while."""
    with suppress(subprocess.TimeoutExpired):
        daemon.wait(seconds)


def most_mb(daemon: subprocess.Popen[bytes]) -> float:
    """The most of a few looks at the daemon and its children."""
    most = 0.0
    for _ in range(LOOKS):
        most = max(most, look_mb(list(tree(daemon.pid))))
        rest(daemon, LOOK_S)
    return most


def tree(process: int) -> Iterator[int]:
    """A process and those under it, without the one that serves the simulated rig."""
    try:
        words = Path(f"/proc/{process}/cmdline").read_bytes()
        tasks = Path(f"/proc/{process}/task").iterdir()
        under = " ".join((task / "children").read_text() for task in tasks).split()
    except OSError:
        return
    if b"spawn_main" in words:
        return
    yield process
    for child in under:
        yield from tree(int(child))


def look_mb(processes: list[int]) -> float:
    """What processes hold together: each its own and its parts of libraries, and memory files."""
    own_kb, files = 0, {}
    for process in processes:
        folder = Path(f"/proc/{process}")
        try:
            for line in (folder / "smaps_rollup").read_text().splitlines():
                if line.startswith(("Pss_Anon:", "Pss_File:")):
                    own_kb += int(line.split()[1])
            for line in (folder / "maps").read_text().splitlines():
                if "/memfd:" in line:
                    span, _, _, _, number, *_ = line.split()
                    first, last = (int(place, 16) for place in span.split("-"))
                    files[int(number)] = last - first
            for opened in (folder / "fd").iterdir():
                if "/memfd:" in str(opened.readlink()):
                    files[opened.stat().st_ino] = opened.stat().st_blocks * 512
        except OSError:
            continue  # it has just ended
    return (own_kb * 1024 + sum(files.values())) / 1e6


if __name__ == "__main__":
    sys.exit(main())
