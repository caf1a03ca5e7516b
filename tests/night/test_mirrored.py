"""A rig whose images are mirrored, as behind a diagonal: solved, described, dithered, guided.

Odd reflections make the matrix of the coordinates positive: right ascension then grows with the
columns where declination grows with the rows (FITS WCS paper II: Calabretta & Greisen 2002, A&A
395, 1077, section 2.1).
"""

from dataclasses import replace

import numpy as np
import pytest
import sep
from astropy.io import fits
from astropy.wcs import WCS

from night.nights import NIGHT, Story, demo, live
from nightloom.ledger import Verdict
from nightloom.schedule.windows import darkness
from nightloom.sky import sidereal_deg
from nightloom.telemetry import events as e
from nightloom_drivers.physics.starfield import star_source
from nightloom_drivers.rig_settings import GuideCameraSettings, OpticsSettings

BEFORE_H = 0.1
"""The night begins so long before its target's meridian."""

GUIDE_S = 4.0


@pytest.fixture(scope="module")
def mirrored(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """Half an hour with the meridian in the middle, both cameras behind one mirror each."""
    guide = GuideCameraSettings()
    optics = guide.optics.model_copy(update={"mirrored": True})
    settings, rig = demo(
        targets=dict.fromkeys("RG", 60.0),
        guide_s=GUIDE_S,
        rig={
            "optics": OpticsSettings(mirrored=True),
            "guide": guide.model_copy(update={"optics": optics}),
            "stars": "seeded",
        },
    )
    dusk_s = darkness(settings, NIGHT).start_unix_s
    ra_deg = (sidereal_deg(dusk_s, settings.observatory.site.longitude_deg) + 15 * BEFORE_H) % 360
    target = settings.targets.targets[0].model_copy(update={"ra_deg": float(ra_deg)})
    settings = replace(settings, targets=settings.targets.model_copy(update={"targets": (target,)}))
    out = tmp_path_factory.mktemp("mirrored")
    return live(out, (settings, rig), hours=0.55, frames=True)


def test_a_mirrored_rig_keeps_every_promise_on_both_sides_of_the_pier(mirrored: Story) -> None:
    """Dithers and the meridian's other side included; the observer measures both on the sky."""
    assert mirrored.played.violations == []
    assert len(mirrored.of(e.Crossed)) == 1
    assert len(mirrored.of(e.Dithered)) >= 4
    assert len(mirrored.frames) >= 14
    assert {frame.verdict for frame in mirrored.frames} == {Verdict.ACCEPTED}


def test_one_calibration_guides_it_on_both_sides(mirrored: Story) -> None:
    assert len(mirrored.of(e.GuidingCalibrated)) == 1
    assert mirrored.of(e.GuidingDoubted) == []
    (crossed,) = mirrored.at(e.Crossed)
    sides: dict[bool, list[float]] = {True: [], False: []}
    for frame in mirrored.frames:
        assert frame.guide_rms_arcsec is not None
        sides[frame.start_utc.timestamp() > crossed].append(frame.guide_rms_arcsec)
    assert np.median(sides[True]) < 1.5 * np.median(sides[False])


def test_frames_say_that_they_are_mirrored_and_where_every_star_is(mirrored: Story) -> None:
    """Stars found by an independent program (sep) lie where the sky has them, by the header."""
    folder = mirrored.rehearsal.frames_folder
    assert folder is not None
    for frame in (mirrored.frames[0], mirrored.frames[-1]):
        with fits.open(folder / frame.path) as opened:
            header, data = opened[0].header, opened[0].data.astype(np.float32)
        wcs = WCS(header)
        assert np.linalg.det(wcs.pixel_scale_matrix) > 0
        found = sep.extract(data - np.median(data), 30.0)
        bright = found[np.argsort(-found["flux"])][:20]
        field = star_source("seeded", mirrored.rehearsal.rig.star_limit_mag).cone(
            header["CRVAL1"], header["CRVAL2"], 0.4, 14.0
        )
        x, y = wcs.all_world2pix(field.ra_deg, field.dec_deg, 0)
        away_px = [np.hypot(x - star["x"], y - star["y"]).min() for star in bright]
        assert len(bright) >= 10
        assert np.median(away_px) < 2.0
