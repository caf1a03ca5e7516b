"""Plate solving with astrometry.net's `solve-field`, in a process of its own.

It needs no good idea of the place, only index files for the field's size (Debian:
astrometry-data-tycho2, fields from 22′). Source: Lang et al. 2010, AJ 139, 1782.
"""

import asyncio
import errno
import math
import os
import shutil
import signal
import sys
import tempfile
from pathlib import Path

import numpy as np
from astropy.io import fits

from nightloom.frames import StarField
from nightloom.frames.image import Frame, Image, picture
from nightloom.solving.solver import Hint, NotSolved, Solution, tangent_plane
from nightloom_drivers import leash

STARS_MAX = 300  # far more than a solution needs, and few enough to read in no time

# solve-field starts programs of its own, some in Python: they get the system's interpreter and no
# settings of the environment that the daemon runs in.
ENVIRONMENT = {"PATH": "/usr/local/bin:/usr/bin:/bin", "LC_ALL": "C.UTF-8"}

# A linear fit to all stars (the SIP terms of order 1 are all 0); extra outputs, plots and Python
# preprocessing off.
OPTIONS = (
    *("--overwrite", "--no-plots", "--no-remove-lines", "--uniformize", "0"),
    *("--tweak-order", "1", "--crpix-center"),
    *("--new-fits", "none", "--match", "none", "--rdls", "none", "--index-xyls", "none"),
    *("--solved", "none", "--scale-units", "arcsecperpix"),
)


class FieldSolver:
    """Runs `solve-field`, and kills it when it is not done after `deadline_s`.

    `config` is a configuration file of astrometry.net; without one the system's is used.
    """

    def __init__(
        self, *, deadline_s: float = 60.0, command: str = "solve-field", config: Path | None = None
    ) -> None:
        self._deadline_s, self._command, self._config = deadline_s, command, config

    async def solve(self, frame: Image | Frame, stars: StarField | None, hint: Hint) -> Solution:
        """As Solver.solve says, of (rows, columns); without measured stars solve-field looks for
        them itself.
        """
        with tempfile.TemporaryDirectory(prefix="nightloom-solve-") as name:
            folder = Path(name)
            field = (
                _write_frame(folder, picture(frame))
                if stars is None
                else _write_stars(folder, stars)
            )
            size = ["--width", str(frame.shape[1]), "--height", str(frame.shape[0])]
            arguments = [*self._arguments(folder, hint), *size, *field]
            told = await self._run(arguments, folder, hint)
            if not (folder / "field.wcs").exists():
                count = "unmeasured" if stars is None else str(stars.count)
                raise NotSolved(hint, f"{count} stars; {told}")
            return _read_solution(folder, frame.shape)

    def _arguments(self, folder: Path, hint: Hint) -> list[str]:
        low = hint.scale_arcsec_per_px * (1 - hint.scale_tolerance)
        high = hint.scale_arcsec_per_px * (1 + hint.scale_tolerance)
        arguments = [
            *OPTIONS,
            *("--scale-low", f"{low:.5f}", "--scale-high", f"{high:.5f}"),
            *("--ra", f"{hint.ra_deg:.6f}", "--dec", f"{hint.dec_deg:.6f}"),
            *("--radius", f"{hint.radius_deg:.4f}"),
            *("--cpulimit", str(math.ceil(self._deadline_s))),
            *("--dir", str(folder), "--out", "field", "--temp-dir", str(folder)),
        ]
        if hint.mirrored is not None:
            arguments += ["--parity", "neg" if hint.mirrored else "pos"]
        if self._config is not None:
            arguments += ["--config", str(self._config)]
        return arguments

    async def _run(self, arguments: list[str], folder: Path, hint: Hint) -> str:
        """Run to the end and return the last line it told; no child outlives this call, nor the
        daemon.
        """
        command = shutil.which(self._command, path=ENVIRONMENT["PATH"])
        if command is None:
            raise NotSolved(hint, f"{self._command} did not start: {os.strerror(errno.ENOENT)}")
        try:
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-P", leash.__file__, str(os.getpid()), command),
                *arguments,
                cwd=folder,
                env=ENVIRONMENT | {"HOME": str(folder)},
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.STDOUT,
                start_new_session=True,
            )
        except OSError as refusal:
            raise NotSolved(hint, f"{self._command} did not start: {refusal.strerror}") from refusal
        try:
            async with asyncio.timeout(self._deadline_s):
                output, _ = await process.communicate()
        except TimeoutError as late:
            raise NotSolved(hint, f"no answer in {self._deadline_s:g} s") from late
        finally:
            if process.returncode is None:
                os.killpg(process.pid, signal.SIGKILL)
                await process.wait()
        lines = output.decode(errors="replace").strip().splitlines()
        return lines[-1].strip() if lines else f"no word, exit status {process.returncode}"


def _write_frame(folder: Path, frame: Image) -> list[str]:
    """A FITS image of (rows, columns)."""
    path = folder / "field.fits"
    fits.PrimaryHDU(frame).writeto(path)
    return [str(path)]


def _write_stars(folder: Path, stars: StarField) -> list[str]:
    """A FITS table of the brightest stars; its pixels count from 1."""
    path = folder / "stars.xyls"
    kept = stars.stars[:STARS_MAX]
    columns = [
        fits.Column("X", "D", array=kept["x"] + 1),
        fits.Column("Y", "D", array=kept["y"] + 1),
        fits.Column("FLUX", "D", array=kept["flux_adu"]),
    ]
    fits.BinTableHDU.from_columns(columns).writeto(path)
    return [str(path), "--x-column", "X", "--y-column", "Y", "--sort-column", "FLUX"]


def _read_solution(folder: Path, shape: tuple[int, int]) -> Solution:
    cards = fits.getheader(folder / "field.wcs")
    pixel = np.array([cards["CRPIX1"], cards["CRPIX2"]]) - 1
    matrix = np.array([[cards[f"CD{row}_{column}"] for column in (1, 2)] for row in (1, 2)])
    wcs = tangent_plane(cards["CRVAL1"], cards["CRVAL2"], pixel, matrix)
    return Solution.of(wcs, shape, len(fits.getdata(folder / "field.corr")))
