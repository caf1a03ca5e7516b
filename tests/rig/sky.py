"""What programs outside this project say about a frame: astrometry.net and NASA's fitsverify."""

import subprocess
from dataclasses import dataclass
from pathlib import Path

from astropy.io import fits
from astropy.wcs import WCS

from nightloom.sky import separation_deg
from rig.observatory import SCALE_ARCSEC, SYSTEM_PATH, Place, program


@dataclass(frozen=True)
class Seen:
    """Where the middle of a frame is: as astrometry.net finds it, and as the header says."""

    filter: str
    ra_deg: float
    dec_deg: float
    said_ra_deg: float
    said_dec_deg: float

    def distance_arcsec(self, ra_deg: float, dec_deg: float) -> float:
        """From where it was found to somewhere else."""
        return 3600.0 * float(separation_deg(self.ra_deg, self.dec_deg, ra_deg, dec_deg))


def solved(frame: Path, folder: Path, place: Place) -> Seen:
    """Solve a frame with solve-field, which looks for the stars itself. Fails when it cannot."""
    found = folder / frame.stem
    command = [
        *(program("solve-field"), str(frame), "--dir", str(folder), "--out", frame.stem),
        *("--overwrite", "--no-plots", "--new-fits", "none", "--temp-axy", "--crpix-center"),
        *("--scale-units", "arcsecperpix", "--uniformize", "0"),
        *("--scale-low", f"{0.95 * SCALE_ARCSEC}", "--scale-high", f"{1.05 * SCALE_ARCSEC}"),
        *("--ra", f"{place.ra_deg}", "--dec", f"{place.dec_deg}", "--radius", "3"),
    ]
    path = {"PATH": SYSTEM_PATH, "HOME": str(folder)}
    done = subprocess.run(command, env=path, capture_output=True, text=True, timeout=60)
    wcs = found.with_suffix(".wcs")
    assert wcs.exists(), f"{frame.name} is not solved: {done.stdout[-500:]}{done.stderr[-500:]}"
    centre, header = fits.getheader(wcs), fits.getheader(frame)
    middle = [[(header["NAXIS1"] - 1) / 2, (header["NAXIS2"] - 1) / 2]]
    said_ra_deg, said_dec_deg = WCS(header).all_pix2world(middle, 0)[0]
    return Seen(
        filter=str(header["FILTER"]),
        ra_deg=float(centre["CRVAL1"]),
        dec_deg=float(centre["CRVAL2"]),
        said_ra_deg=float(said_ra_deg),
        said_dec_deg=float(said_dec_deg),
    )


def verified(frame: Path) -> None:
    """Have fitsverify look for errors and warnings. Fails when it finds one."""
    done = subprocess.run(
        [program("fitsverify"), "-q", str(frame)], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stdout
    assert done.stdout.startswith("verification OK"), done.stdout
