"""The INDI properties of a mount."""

from nightloom_drivers.link.vector import Kind, State, Value
from nightloom_drivers.physics.mount import Direction
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.simulators.simulator import Property, one_of_many

GUIDES: dict[str, tuple[tuple[str, Direction], ...]] = {
    "TELESCOPE_TIMED_GUIDE_NS": (("TIMED_GUIDE_N", "north"), ("TIMED_GUIDE_S", "south")),
    "TELESCOPE_TIMED_GUIDE_WE": (("TIMED_GUIDE_W", "west"), ("TIMED_GUIDE_E", "east")),
}
"""Which element of which pulse vector moves the telescope where."""


def pointing() -> tuple[Property, ...]:
    """Where the mount points, and what a place is sent for."""
    here: dict[str, Value] = {"RA": 0.0, "DEC": 0.0}
    limits = {"RA": (0.0, 24.0), "DEC": (-90.0, 90.0)}
    return (
        Property(
            "EQUATORIAL_EOD_COORD",
            Kind.NUMBER,
            dict(here),
            limits,
            format="%010.6m",
            tested=False,
        ),
        Property(
            "TARGET_EOD_COORD",
            Kind.NUMBER,
            dict(here),
            limits,
            writable=False,
            format="%010.6m",
        ),
        one_of_many("ON_COORD_SET", "TRACK", "SLEW", "SYNC"),
    )


def motion() -> tuple[Property, ...]:
    """Parking, tracking, stopping, and the side of the pier."""
    side: dict[str, Value] = {"PIER_WEST": False, "PIER_EAST": False}
    return (
        one_of_many("TELESCOPE_PARK", "PARK", "UNPARK"),
        one_of_many("TELESCOPE_TRACK_STATE", "TRACK_OFF", "TRACK_ON"),
        one_of_many("TELESCOPE_TRACK_MODE", "TRACK_SIDEREAL"),
        one_of_many("TELESCOPE_SLEW_RATE", "4x", "3x", "2x", "1x"),
        Property("TELESCOPE_ABORT_MOTION", Kind.SWITCH, {"ABORT": False}, rule="AtMostOne"),
        Property("TELESCOPE_PIER_SIDE", Kind.SWITCH, side, writable=False, rule="AtMostOne"),
    )


def guiding(settings: RigSettings) -> tuple[Property, ...]:
    """Pulses and their rate."""
    rate = settings.mount.guide_rate_sidereal
    pulses = [
        Property(
            name,
            Kind.NUMBER,
            {key: 0.0 for key, _ in ways},
            {key: (0.0, 60000.0) for key, _ in ways},
            group="Guide",
        )
        for name, ways in GUIDES.items()
    ]
    rates: dict[str, Value] = {"GUIDE_RATE_WE": rate, "GUIDE_RATE_NS": rate}
    return (*pulses, Property("GUIDE_RATE", Kind.NUMBER, rates, writable=False, group="Guide"))


def place(settings: RigSettings) -> tuple[Property, ...]:
    """Site, time and telescopes."""
    site, main, guide = settings.site, settings.optics, settings.guide.optics
    return (
        Property(
            "GEOGRAPHIC_COORD",
            Kind.NUMBER,
            {
                "LAT": site.latitude_deg,
                "LONG": site.longitude_deg % 360.0,
                "ELEV": site.elevation_m,
            },
            {"LAT": (-90.0, 90.0), "LONG": (0.0, 360.0), "ELEV": (-200.0, 10000.0)},
            state=State.OK,
            group="Site",
            format="%012.8m",
        ),
        Property("TIME_UTC", Kind.TEXT, {"UTC": "", "OFFSET": "0.00"}, group="Site"),
        Property(
            "TELESCOPE_INFO",
            Kind.NUMBER,
            {
                "TELESCOPE_APERTURE": main.aperture_mm,
                "TELESCOPE_FOCAL_LENGTH": main.focal_length_mm,
                "GUIDER_APERTURE": guide.aperture_mm,
                "GUIDER_FOCAL_LENGTH": guide.focal_length_mm,
            },
            state=State.OK,
            group="Options",
        ),
    )
