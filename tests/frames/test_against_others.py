"""The same frames in Debian's source-extractor and in photutils: stars, sizes and shapes.

photutils: Bradley et al., doi 10.5281/zenodo.596036. source-extractor: Bertin & Arnouts 1996.
The real sky is a photographic plate of the cluster M 13, which astropy carries as test data.
"""

import subprocess
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from numpy.typing import NDArray
from photutils.background import Background2D
from photutils.segmentation import SourceCatalog, deblend_sources, detect_sources
from scipy.spatial import KDTree

from frames.rendering import draw, scattered
from nightloom.frames.stars import StarField, measure

SATURATION_ADU = 64000.0
SIGMAS, AREA_PX = 4.0, 5
PARAMETERS = "X_IMAGE Y_IMAGE FLUX_RADIUS FWHM_IMAGE ELLIPTICITY THETA_IMAGE FLAGS BACKGROUND"


@dataclass(frozen=True)
class Others:
    """What another program says of each star; pixels count from 0."""

    places: NDArray[np.float64]
    half_flux_radius_px: NDArray[np.float64]
    ellipticity: NDArray[np.float64]


def source_extractor(frame: NDArray[Any], folder: Path) -> Others:
    fits.PrimaryHDU(frame).writeto(folder / "frame.fits")
    (folder / "parameters").write_text("\n".join(PARAMETERS.split()))
    options = {
        "CATALOG_TYPE": "ASCII",
        "CATALOG_NAME": folder / "stars",
        "PARAMETERS_NAME": folder / "parameters",
        "FILTER": "N",
        "DETECT_THRESH": SIGMAS,
        "ANALYSIS_THRESH": SIGMAS,
        "DETECT_MINAREA": AREA_PX,
        "BACK_SIZE": 64,
        "SATUR_LEVEL": SATURATION_ADU,
        "VERBOSE_TYPE": "QUIET",
    }
    command = ["source-extractor", str(folder / "frame.fits"), "-c", "/dev/null"]
    for name, value in options.items():
        command += [f"-{name}", str(value)]
    subprocess.run(command, check=True, capture_output=True)
    table = np.loadtxt(folder / "stars", ndmin=2)
    return Others(table[:, :2] - 1, table[:, 2], table[:, 4])


def photutils(frame: NDArray[Any], _: Path) -> Others:
    values = frame.astype(float)
    sky = Background2D(values, 64, exclude_percentile=60)  # nearly all of a cluster is stars
    values -= sky.background
    found = detect_sources(values, SIGMAS * sky.background_rms_median, AREA_PX)
    found = deblend_sources(values, found, AREA_PX, progress_bar=False)
    catalogue = SourceCatalog(values, found)
    return Others(
        np.column_stack([catalogue.x_centroid, catalogue.y_centroid]),
        np.asarray(catalogue.flux_radius(0.5)),
        np.asarray(catalogue.ellipticity),
    )


BOTH = pytest.mark.parametrize(
    "program", [pytest.param(source_extractor, marks=pytest.mark.servers), photutils]
)


def pairs(field: StarField, others: Others) -> tuple[NDArray[np.void], NDArray[np.intp]]:
    """Our stars, alone and bright, that the other program has too, and their numbers there."""
    stars = field.stars
    good = stars[
        ~stars["crowded"] & (stars["snr"] > 10) & np.isfinite(stars["half_flux_radius_px"])
    ]
    off_px, nearest = KDTree(others.places).query(np.column_stack([good["x"], good["y"]]))
    return good[off_px < 1], nearest[off_px < 1]


def share_found(places: NDArray[np.float64], among: NDArray[np.float64]) -> float:
    return float(np.mean(KDTree(among).query(places)[0] < 1.5))


@BOTH
@pytest.mark.parametrize("moffat_beta", [None, 3.5])
def test_drawn_stars(program: Any, moffat_beta: float | None, tmp_path: Path) -> None:
    """The same stars to one; radii to 1 %, or 3 % where wings reach out of either's aperture."""
    frame = draw(*scattered(60), fwhm_px=4.0, moffat_beta=moffat_beta)
    field, others = measure(frame, saturation_adu=SATURATION_ADU), program(frame, tmp_path)
    assert field.count == pytest.approx(len(others.places), abs=1)
    ours, theirs = pairs(field, others)
    assert len(ours) >= 45
    ratios = ours["half_flux_radius_px"] / others.half_flux_radius_px[theirs]
    assert np.median(ratios) == pytest.approx(1, abs=0.01 if moffat_beta is None else 0.03)
    assert np.abs(ours["ellipticity"] - others.ellipticity[theirs]).max() < 0.03


@BOTH
def test_a_real_cluster(program: Any, tmp_path: Path) -> None:
    """M 13, crowded to the brim, and no sky to see: what we find is there, and lone stars agree."""
    image = files("astropy.io.fits.hdu.compressed.tests") / "data" / "m13.fits"
    frame = fits.getdata(str(image)).astype(np.float32)
    field, others = measure(frame, saturation_adu=SATURATION_ADU), program(frame, tmp_path)
    places = np.column_stack([field.stars["x"], field.stars["y"]])
    assert share_found(places, others.places) > 0.9
    assert share_found(others.places, places) > 0.5
    ours, theirs = pairs(field, others)
    assert len(ours) >= 6
    ratios = ours["half_flux_radius_px"] / others.half_flux_radius_px[theirs]
    assert np.median(ratios) == pytest.approx(1, abs=0.15)
