"""What the headers of a night's frames say, held against the simulated rig and the frames' WCS."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pytest
from astropy import units
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.wcs import WCS

from night.nights import SMALL, Story, demo, live
from nightloom.rig import SimulatedRig
from nightloom.telemetry import Event
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices.focuser import POSITION, STEPS
from nightloom_drivers.link import State
from nightloom_drivers.simulators.rig import FOCUSER

QUIET = {"atmosphere": {"jitter_arcsec": 0.05, "seeing_fwhm_arcsec": 1.5}}
"""A high mountain's air, in which a mount's own motion is what is left."""


NUDGE_STEPS = 2
"""Within what the focuser may be off without being moved again."""


@dataclass(frozen=True)
class Told:
    """A night, its frames' headers in order, and what the focuser read when each sub began: it is
    nudged then, and stands beside where it belongs.
    """

    story: Story
    headers: list[fits.Header]
    focuser_steps: list[float]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    out: Path = tmp_path_factory.mktemp("headers")
    rigs: list[SimulatedRig] = []
    read: list[float] = []

    async def meet(rig: SimulatedRig, _: Clock) -> None:
        rigs.append(rig)

    def nudge(_: datetime, event: Event) -> None:
        if isinstance(event, e.SubBegun):
            focuser = rigs[0].simulator(FOCUSER)
            read.append(focuser.number(POSITION, STEPS) + NUDGE_STEPS)
            focuser.publish(POSITION, State.OK, **{STEPS: read[-1]})

    changed = demo(targets={"R": 30.0, "G": 30.0}, rig=QUIET)
    story = live(out, changed, hours=0.25, frames=True, meddler=meet, listener=nudge)
    headers = [fits.getheader(file) for file in out.rglob("*.fits")]
    return Told(story, sorted(headers, key=lambda header: str(header["DATE-OBS"])), read)


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
    """Whatever the settings, the offsets and the temperature would have."""
    positions = [header["FOCUSPOS"] for header in told.headers]
    assert positions == told.focuser_steps
    assert len(set(positions)) > 1, "the filters' offsets move it"


def test_the_part_of_the_guide_error_that_the_air_made_is_no_more_than_all_of_it(
    told: Told,
) -> None:
    """And in quiet air it is what the guide camera's stars move by: 0.05″ in one second and one
    axis are 0.05″ in two seconds and two axes, and centroids are good to about as much again.
    """
    parts = [(header["GUIDESEE"], header["GUIDERMS"]) for header in told.headers]
    assert all(0 < air <= total for air, total in parts)
    assert max(air for air, _ in parts) < 0.15
