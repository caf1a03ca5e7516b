"""Seeded nights with a lost guide star, a gust, a refused pulse and a stuck slew.

None of them may end a night that could go on. Prints a line for each night and what is wrong with
it; the exit status is 1 when anything is. A night of one seed is the same each time.
Run: python tests/benchmarks/troubled_nights.py [--nights 50] [--first 1] [--hours 0.7]
"""

import argparse
import statistics
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from rich.console import Console

from night.troubles import complaints, troubled_night
from nightloom.telemetry import events as e


def played(seed: int, hours: float) -> tuple[str, list[str], float]:
    """One night: a line about it, what is wrong with it, and the open part of its dark time."""
    with tempfile.TemporaryDirectory() as folder:
        troubles, story = troubled_night(Path(folder), seed, hours)
    wrong = complaints(story)
    kept = len(story.of(e.FrameAccepted))
    open_part = sum(frame.exposure_s for frame in story.frames) / (3600.0 * hours)
    moments = " ".join(f"{name[:-2]} {at:.0f}" for name, at in vars(troubles).items())
    line = (
        f"{seed:5d}  kept {kept:3d}  rejected {len(story.of(e.FrameRejected)):2d}"
        f"  cancelled {len(story.of(e.SubCancelled)):2d}  open {open_part:.2f}  at s: {moments}"
    )
    return line, wrong, open_part


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=50)
    parser.add_argument("--first", type=int, default=1, help="seed of the first night")
    parser.add_argument("--hours", type=float, default=0.7, help="dark hours of a night")
    parser.add_argument("--workers", type=int, default=2)
    said = parser.parse_args()
    seeds = range(said.first, said.first + said.nights)
    console, failed, parts = Console(highlight=False, soft_wrap=True), [], []
    with ProcessPoolExecutor(said.workers) as pool:
        for seed, (line, wrong, part) in zip(
            seeds, pool.map(played, seeds, [said.hours] * said.nights), strict=True
        ):
            console.print(line, *(f"       {one}" for one in wrong), sep="\n")
            parts.append(part)
            if wrong:
                failed.append(seed)
    console.print(
        f"{len(parts)} nights, the median open for {statistics.median(parts):.2f} of the dark"
    )
    console.print(f"ended early or broke a promise: {failed or 'none'}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
