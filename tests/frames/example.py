"""A frame about which everything is known."""

from datetime import UTC, datetime

from astropy.wcs import WCS

from nightloom.frames.header import HeaderFacts
from nightloom_drivers.frame_kind import FrameKind


def wcs() -> WCS:
    """A turned field of 1024×768 px at 1.46″/px on the North America nebula."""
    plane = WCS(naxis=2)
    plane.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    plane.wcs.crval = [314.7, 44.3]
    plane.wcs.crpix = [512.5, 384.5]
    plane.wcs.cd = [[-3.5e-4, 2.0e-4], [2.0e-4, 3.5e-4]]
    plane.wcs.radesys = "ICRS"
    return plane


FACTS = HeaderFacts(
    kind=FrameKind.LIGHT,
    started_at=datetime(2026, 9, 12, 21, 30, 15, 125000, tzinfo=UTC),
    exposure_s=300.0,
    target="NGC 7000",
    filter_name="Hα 6 nm",
    ra_deg=314.7,
    dec_deg=44.3,
    wcs=wcs(),
    camera="CCD Simulator",
    telescope="Garden refractor",
    gain=100,
    offset=50,
    sensor_temperature_c=-9.8,
    sensor_set_point_c=-10.0,
    binning=1,
    pixel_size_um=3.76,
    focal_length_mm=530.0,
    aperture_mm=106.0,
    site_latitude_deg=46.62,
    site_longitude_deg=8.41,
    site_elevation_m=1180.0,
    altitude_deg=71.3,
    airmass=1.0555,
    pier_side="west",
    focuser_position_steps=24310,
    focuser_temperature_c=8.4,
    guide_rms_arcsec=0.62,
    half_flux_radius_px=1.84,
    star_count=412,
    verdict="accepted",
    software="nightloom 0.1.0",
)
