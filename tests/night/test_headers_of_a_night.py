"""What the headers of a night's frames say, held against the simulated rig and the frames' WCS."""

import asyncio
from dataclasses import dataclass
from pathlib import Path

import pytest
from astropy import units
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.wcs import WCS

from night.nights import SMALL, Story, demo, live
from nightloom.rig import SimulatedRig
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.simulators.rig import FOCUSER

QUIET = {"atmosphere": {"jitter_arcsec": 0.05, "seeing_fwhm_arcsec": 1.5}}
"""A high mountain's air, in which a mount's own motion is what is left."""


@dataclass(frozen=True)
class Told:
    """A night, its frames' headers, and what the focuser read at each moment, by Unix seconds."""

    story: Story
    headers: list[fits.Header]
    focuser: list[tuple[float, float]]

    def focuser_steps(self, at_s: float) -> float:
        return [steps for seen_s, steps in self.focuser if seen_s <= at_s][-1]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    out: Path = tmp_path_factory.mktemp("headers")
    seen: list[tuple[float, float]] = []

    async def note(rig: SimulatedRig, clock: Clock) -> None:
        while True:
            position = rig.simulator(FOCUSER).number(
                "ABS_FOCUS_POSITION", "FOCUS_ABSOLUTE_POSITION"
            )
            seen.append((clock.unix_s(), position))
            await asyncio.sleep(1.0)

    changed = demo(targets={"R": 30.0, "G": 30.0}, rig=QUIET)
    story = live(out, changed, hours=0.25, frames=True, meddler=note)
    files = sorted(out.rglob("*.fits"))
    headers = [header for header in map(fits.getheader, files) if header["IMAGETYP"] == "LIGHT"]
    return Told(story, sorted(headers, key=lambda header: str(header["DATE-OBS"])), seen)


def test_the_observatory_and_the_telescope_have_a_card_each(told: Told) -> None:
    """TELESCOP is the telescope by the FITS standard 4.0, section 4.4.2.3; that OBSERVAT is the
    observatory is common practice, no source.
    """
    assert len(told.headers) >= 10
    optics = told.story.rehearsal.settings.observatory.optics
    for header in told.headers:
        assert header["OBSERVAT"] == told.story.rehearsal.settings.observatory.name
        assert header["TELESCOP"] == optics.described
        assert f"{optics.focal_length_mm:g} mm" in header["TELESCOP"]


def test_a_telescope_with_a_name_is_called_by_it() -> None:
    optics = demo()[0].observatory.optics
    assert optics.model_copy(update={"name": "Old refractor"}).described == "Old refractor"


def test_the_centre_of_a_frame_is_where_its_own_wcs_puts_it(told: Told) -> None:
    apart = []
    target = told.story.rehearsal.settings.targets.targets[0]
    for header in told.headers:
        middle = (SMALL["width_px"] - 1) / 2, (SMALL["height_px"] - 1) / 2
        seen = WCS(header).pixel_to_world(*middle)
        centre = SkyCoord(header["RA"], header["DEC"], unit="deg")
        assert centre.separation(seen).arcsec < 0.1
        asked = SkyCoord(header["OBJCTRA"], header["OBJCTDEC"], unit=(units.hourangle, units.deg))
        wanted = SkyCoord(target.ra_deg, target.dec_deg, unit="deg")
        assert asked.separation(wanted).arcsec < 0.2
        apart.append(float(centre.separation(wanted).arcsec))
    assert max(apart) > 3.0, "dithers move the centre off the target"


def test_the_focuser_stands_where_the_header_says(told: Told) -> None:
    positions = set()
    for header, begun_s in zip(told.headers, told.story.at(e.SubBegun), strict=True):
        assert header["FOCUSPOS"] == told.focuser_steps(begun_s + 5.0)
        positions.add(header["FOCUSPOS"])
    start = told.story.rehearsal.settings.observatory.focuser.start_steps
    assert len(positions) > 1, "the filters' offsets move it"
    assert start not in positions, "a focus curve has moved it away from where it began"


def test_the_part_of_the_guide_error_that_the_air_made_is_no_more_than_all_of_it(
    told: Told,
) -> None:
    """And in quiet air it is what the guide camera's stars move by: 0.05″ in one second and one
    axis are 0.05″ in two seconds and two axes, and centroids are good to about as much again.
    """
    parts = [(header["GUIDESEE"], header["GUIDERMS"]) for header in told.headers]
    assert all(0 < air <= total for air, total in parts)
    assert max(air for air, _ in parts) < 0.15
