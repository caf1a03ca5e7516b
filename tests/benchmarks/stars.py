"""Star measurement of 1 to 62 megapixels beside SEP's plain pipeline over the whole frame.

Prints a table; with `--limits` it fails where a promise is broken. Times are processor time of one
core, the best of a few runs. Limits are ratios to the plain pipeline, so that a slow or busy
machine does not matter. Run: python tests/benchmarks/stars.py [--quick] [--limits]
"""

import argparse
import asyncio
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from typing import Any

import numpy as np
import sep
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from nightloom.executor import Workers
from nightloom.frames import StarField, measure

Frame = NDArray[np.uint16]

SATURATION_ADU = 64000.0
SHAPES = {1: (1000, 1000), 9: (2448, 3664), 26: (4176, 6248), 62: (6388, 9576)}
QUICK = (1, 9)
STARS_PER_MEGAPIXEL = 60  # of those seen: a rich field at the galactic pole, a poor one elsewhere
RATIO_MAX = {1: 0.7, 9: 0.7, 26: 0.5, 62: 0.3}  # of the plain pipeline's time
RADIUS_ERROR_MAX = 0.01
STALL_S_MAX = 0.02  # marked, but no failure: it says as much of a busy machine as of the program
STALL_SHARE_MAX = 0.6  # of the longest wait while the same frame is pickled


@dataclass(frozen=True)
class Row:
    """One frame, measured both ways."""

    name: str
    ours_s: float
    plain_s: float
    field: StarField
    whole: StarField
    plain_radius_px: float
    plain_count: int

    @property
    def ratio(self) -> float:
        """Our time over the plain one."""
        return self.ours_s / self.plain_s

    @property
    def radius_error(self) -> float:
        """The sample's half-flux radius against the whole frame's."""
        return self.field.half_flux_radius_px / self.whole.half_flux_radius_px - 1

    @property
    def count_error(self) -> float:
        """The sample's count against the whole frame's."""
        return self.field.count / max(self.whole.count, 1) - 1


def drawn(
    shape: tuple[int, int], stars: int, *, corner: float = 0.15, tilt: float = 0.1, seed: int = 1
) -> Frame:
    """Stars of FWHM 3 px, wider by a share in the corners, and to the right; counts as 10^0.36 mag.

    With hot pixels, a gradient, a trail, and the noise of a dark sky.
    """
    rng = np.random.default_rng(seed)
    rows, columns = shape
    image = np.full(shape, 400.0, np.float32)
    image += np.linspace(0, 200, columns, dtype=np.float32)
    x, y = rng.uniform(0, columns, stars), rng.uniform(0, rows, stars)
    flux = np.minimum(700 * rng.random(stars) ** -1.1, 2e6)
    along, across = 2 * x / columns - 1, 2 * y / rows - 1
    sigma = 3 / 2.35482 * (1 + corner * (along**2 + across**2) / 2 + tilt * along / 2)
    steps = np.arange(-10, 11)
    for star_x, star_y, light, width in zip(x, y, flux, sigma, strict=True):
        column, row = round(star_x), round(star_y)
        if not (10 <= column < columns - 10 and 10 <= row < rows - 10):
            continue
        across_x = np.exp(-0.5 * ((steps + column - star_x) / width) ** 2)
        across_y = np.exp(-0.5 * ((steps + row - star_y) / width) ** 2)
        stamp = light / (2 * np.pi * width**2) * np.outer(across_y, across_x)
        image[row - 10 : row + 11, column - 10 : column + 11] += stamp.astype(np.float32)
    for column in range(columns):
        image[(column // 3 + rows // 4) % rows, column] += 300
    for part in np.array_split(np.arange(rows), 16):  # a few rows at a time, to spare memory
        block = image[part]
        block += np.sqrt(np.maximum(block - 336, 64)) * rng.standard_normal(block.shape, np.float32)
        image[part] = block
    hot = rng.integers(0, image.size, image.size // 2000)
    image.ravel()[hot] += rng.exponential(3000, len(hot))
    return np.clip(np.rint(image), 0, 65535).astype(np.uint16)


def plain(frame: Frame) -> tuple[float, int]:
    """SEP as its documentation shows it, over the whole frame: median half-flux radius, count."""
    pixels = frame.astype(np.float32)
    sky = sep.Background(pixels)
    pixels -= sky.back()
    sep.set_extract_pixstack(max(300_000, pixels.size // 10))
    found = sep.extract(pixels, 4.0, err=sky.globalrms, filter_kernel=None)
    radii, _ = sep.flux_radius(pixels, found["x"], found["y"], 6.0 * found["a"], 0.5, subpix=5)
    return float(np.median(radii)), len(found)


def best_s(work: Callable[[], Any], runs: int) -> tuple[float, Any]:
    """The least processor time of some runs, and the last answer."""
    taken = []
    for _ in range(runs):
        began = time.process_time()
        answer = work()
        taken.append(time.process_time() - began)
    return min(taken), answer


def row(name: str, frame: Frame, runs: int) -> Row:
    """Measure one frame both ways."""
    ours_s, field = best_s(lambda: measure(frame, saturation_adu=SATURATION_ADU), runs)
    plain_s, (radius_px, count) = best_s(lambda: plain(frame), min(runs, 2))
    whole = measure(frame, saturation_adu=SATURATION_ADU, sample_px=None)
    return Row(name, ours_s, plain_s, field, whole, radius_px, count)


def steadiness(shape: tuple[int, int], frames: int) -> float:
    """Relative scatter of the count over frames that differ by their noise and a dither."""
    stars = STARS_PER_MEGAPIXEL * shape[0] * shape[1] // 1_000_000
    sky = drawn(shape, stars)
    rng = np.random.default_rng(2)
    counts = []
    for _ in range(frames):
        noisy = np.roll(sky, rng.integers(-12, 13, 2), (0, 1)) + rng.normal(0, 4, shape)
        seen = measure(noisy.astype(np.float32), saturation_adu=SATURATION_ADU)
        counts.append(seen.count)
    return float(np.std(counts) / np.mean(counts))


def sum_of(frame: Frame) -> int:
    """Something quick to do with a frame in a worker."""
    return int(frame[::100, ::100].sum())


async def longest_wait_s(call: Callable[..., Any], frame: Frame, calls: int) -> float:
    """The median over some calls of the longest time for which the loop did nothing else."""
    await call(sum_of, frame)
    longest: list[float] = []

    async def beat() -> None:
        last = time.perf_counter()
        while True:
            await asyncio.sleep(0.001)
            now = time.perf_counter()
            longest[-1] = max(longest[-1], now - last - 0.001)
            last = now

    heart = asyncio.create_task(beat())
    for _ in range(calls):
        longest.append(0.0)
        await call(sum_of, frame)
        await asyncio.sleep(0.02)
    heart.cancel()
    return float(np.median(longest))


def waits_s(frame: Frame, calls: int = 11) -> tuple[float, float]:
    """The longest wait of the loop when a frame goes to a worker: by Workers, and pickled."""
    with Workers() as workers:
        shared = asyncio.run(longest_wait_s(workers, frame, calls))
    with ProcessPoolExecutor(1, get_context("forkserver")) as pool:

        async def pickled(function: Callable[..., Any], *arguments: Any) -> Any:
            return await asyncio.get_running_loop().run_in_executor(pool, function, *arguments)

        return shared, asyncio.run(longest_wait_s(pickled, frame, calls))


def table(rows: list[Row]) -> Table:
    """What was found, as a person reads it."""
    shown = Table(title="Star measurement, one core")
    for heading in (
        *("frame", "ours s", "plain SEP s", "ratio", "looked at", "stars", "of whole"),
        *("half-flux radius px", "error", "plain SEP px", "plain SEP stars"),
    ):
        shown.add_column(heading, justify="left" if heading == "frame" else "right")
    for one in rows:
        shown.add_row(
            one.name,
            f"{one.ours_s:.3f}",
            f"{one.plain_s:.3f}",
            f"{one.ratio:.2f}",
            f"{one.field.sampled_fraction:.0%}",
            str(one.field.count),
            f"{one.count_error:+.1%}",
            f"{one.field.half_flux_radius_px:.3f}",
            f"{one.radius_error:+.2%}",
            f"{one.plain_radius_px:.3f}",
            str(one.plain_count),
        )
    return shown


def main() -> int:
    """Measure, print, and say what is out of its limits."""
    asked = argparse.ArgumentParser(description="Times star measurement against plain SEP.")
    asked.add_argument("--quick", action="store_true", help="1 and 9 megapixels only")
    asked.add_argument("--limits", action="store_true", help="fail where a limit is broken")
    options = asked.parse_args()
    console = Console(width=140)
    rows, broken = [], []
    for size in QUICK if options.quick else SHAPES:
        shape = SHAPES[size]
        megapixels = shape[0] * shape[1] / 1e6
        frame = drawn(shape, round(STARS_PER_MEGAPIXEL * megapixels))
        one = row(f"{size} MP", frame, runs=5 if size < 20 else 3)
        rows.append(one)
        if one.ratio > RATIO_MAX[size]:
            broken.append(f"{one.name}: {one.ratio:.2f} of plain SEP, limit {RATIO_MAX[size]}")
        if abs(one.radius_error) > RADIUS_ERROR_MAX:
            broken.append(f"{one.name}: half-flux radius off by {one.radius_error:+.2%}")
    if not options.quick:
        shape = SHAPES[26]
        others = {"26 MP, dense": 1500 * 26, "26 MP, 40 stars": 40, "26 MP, none": 0}
        rows += [row(name, drawn(shape, stars), runs=2) for name, stars in others.items()]
    console.print(table(rows))
    size = 9 if options.quick else 26
    console.print(
        f"count from frame to frame, {size} megapixels: ±{steadiness(SHAPES[size], 6):.1%}"
    )
    shared_s, pickled_s = waits_s(np.zeros(SHAPES[26], np.uint16))
    mark = "" if shared_s <= STALL_S_MAX else f" [bold]over {1e3 * STALL_S_MAX:g} ms[/bold]"
    console.print(
        f"the loop's longest wait as 26 megapixels go to a worker: {1e3 * shared_s:.1f} ms{mark}, "
        f"pickled {1e3 * pickled_s:.1f} ms"
    )
    if shared_s > STALL_SHARE_MAX * pickled_s:
        broken.append(f"the loop waits {shared_s / pickled_s:.2f} of the time that pickling takes")
    for line in broken:
        console.print(f"[bold]out of limits:[/bold] {line}")
    return 1 if broken and options.limits else 0


if __name__ == "__main__":
    sys.exit(main())
