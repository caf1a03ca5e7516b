"""An observatory made of the INDI library's C++ simulators, where it is always midnight.

Its longitude is chosen so, and at 25° north every night of the year has a dark middle. It looks at
the fullest field of stars among those that are 1.5 hours east of the meridian.
"""

import asyncio
import contextlib
import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from nightloom.ledger import FILE_NAME, GuideCalibration, Ledger
from nightloom.sky import Site, altitude_azimuth, dark_hours, night_of, sidereal_deg
from nightloom_drivers.catalogue import tycho2
from nightloom_drivers.clock import WallClock
from nightloom_drivers.devices import Device, Mount, MountSettings
from nightloom_drivers.devices.device import ANSWER_S
from nightloom_drivers.link import State
from nightloom_drivers.link.indi import IndiLink
from servers import Server, indiserver

DRIVERS = [
    f"indi_simulator_{kind}"
    for kind in ("telescope", "ccd", "guide", "focus", "wheel", "weather", "dome")
]

FOCAL_LENGTH_MM, PIXEL_UM, GUIDE_PIXEL_UM = 300.0, 5.2, 2.4
SCALE_ARCSEC = 206.265 * PIXEL_UM / FOCAL_LENGTH_MM
LATITUDE_DEG, EAST_OF_MERIDIAN_DEG = 25.0, 22.5
PARKS_OFF_DEG = 6.0
BEST_FOCUS_STEPS = 36700
TIME_FACTOR = 0.05
REST_ARCSEC, LEAST_DITHER_PX, TOLERANCE_ARCSEC = 1.5, 6.0, 60.0

WORM_ARCSEC, WORM_S = 11.0, 480.0
"""Periodic error that the guide simulator has built in, and the other camera has not: holding the
guide stars moves the frames by it, in right ascension."""

SIMULATED: dict[str, dict[str, dict[str, float]]] = {
    "Telescope Simulator": {
        "TELESCOPE_INFO": {
            **{"TELESCOPE_APERTURE": 60.0, "TELESCOPE_FOCAL_LENGTH": FOCAL_LENGTH_MM},
            **{"GUIDER_APERTURE": 60.0, "GUIDER_FOCAL_LENGTH": FOCAL_LENGTH_MM},
        }
    },
    "CCD Simulator": {
        "POLLING_PERIOD": {"PERIOD_MS": 100.0},
        # A second takes TIME_FACTOR of one, with all its light.
        "SIMULATOR_SETTINGS": {"SIM_TIME_FACTOR": TIME_FACTOR, "SIM_SATURATION": 3.0},
        # Seeing of two pixels, and stars that grow fast as the focuser moves.
        "SIM_FOCUSING": {
            **{"SIM_FOCUS_POSITION": float(BEST_FOCUS_STEPS), "SIM_FOCUS_MAX": 30000.0},
            "SIM_SEEING": 7.0,
        },
    },
    "Guide Simulator": {
        "POLLING_PERIOD": {"PERIOD_MS": 100.0},
        "SIMULATOR_SETTINGS": {"SIM_TIME_FACTOR": 0.1, "SIM_SATURATION": 4.0},
    },
}
"""What the simulators are told; they forget most of it when they are started again."""


SYSTEM_PATH = "/usr/bin:/bin"


@dataclass(frozen=True)
class Place:
    """Where it is midnight, and what to look at from there (degrees)."""

    longitude_deg: float
    ra_deg: float
    dec_deg: float


def midnight() -> Place:
    """The place of now. Raises AssertionError when it is not a dark one."""
    now_s = WallClock().unix_s()
    longitude_deg = (180.0 - now_s % 86400.0 / 240.0) % 360.0 - 180.0  # 15° an hour
    site = Site(LATITUDE_DEG, longitude_deg, 100.0)
    dark = dark_hours(site, night_of(now_s, site))
    assert dark is not None
    assert dark.start_unix_s + 3600 < now_s < dark.end_unix_s - 3600
    stars = tycho2()
    assert stars is not None, "astrometry-data-tycho2 is not installed"
    ra_deg = (float(sidereal_deg(now_s, longitude_deg)) + EAST_OF_MERIDIAN_DEG) % 360.0
    dec_deg = max(range(5, 48, 2), key=lambda dec: len(stars.cone(ra_deg, dec, 0.6, 11.0).mag))
    assert altitude_azimuth(site, ra_deg, dec_deg, now_s)[0] > 50
    return Place(longitude_deg, ra_deg, float(dec_deg))


@contextlib.contextmanager
def simulators(home: Path, options: Sequence[str] = ()) -> Iterator[Server]:
    """The C++ simulators under the C server, told what these tests need."""
    home.mkdir()
    (home / "bin").mkdir()
    gsc = home / "bin" / "gsc"
    gsc.write_text(f'#!/bin/sh\nexec {sys.executable} {Path(__file__).with_name("gsc.py")} "$@"\n')
    gsc.chmod(0o755)
    with indiserver(DRIVERS, home, path_extra=[home / "bin"], options=options) as server:
        tell_simulators(server)
        yield server


def tell_simulators(server: Server) -> None:
    """Switch the simulators on and set their sky and their speed."""
    asyncio.run(_tell(server.port))


async def _tell(port: int) -> None:
    async with IndiLink("127.0.0.1", port) as link, asyncio.TaskGroup() as group:
        for name, vectors in SIMULATED.items():
            group.create_task(_tell_one(Device(link, name, WallClock()), vectors))


async def _tell_one(device: Device, vectors: Mapping[str, Mapping[str, float]]) -> None:
    await device.connect()
    for vector, values in vectors.items():
        await device.put(vector, values)


def put(server: Server, *told: tuple[str, str, Mapping[str, float | bool]]) -> None:
    """Give devices what another client would, one after the other: name, vector, values.

    Waits until each is taken: buttons do not stay pressed.
    """

    async def give() -> None:
        async with IndiLink("127.0.0.1", server.port) as link:
            for name, vector, values in told:
                device = Device(link, name, WallClock())
                await device.connect()
                await device.command(vector, values, lambda v: v.state is State.OK, ANSWER_S)

    asyncio.run(give())


def park_near(server: Server, place: Place) -> None:
    """Have the mount look at a place, free and tracking, and park near it: far ways take 20 s."""

    async def tell() -> None:
        async with IndiLink("127.0.0.1", server.port) as link:
            mount = Mount(link, "Telescope Simulator", MountSettings(), WallClock())
            await mount.connect()
            site = {"LAT": LATITUDE_DEG, "LONG": place.longitude_deg % 360.0, "ELEV": 100.0}
            await mount.put("GEOGRAPHIC_COORD", site)
            hours_west = -EAST_OF_MERIDIAN_DEG / 15.0 - PARKS_OFF_DEG / 15.0
            parks = {"PARK_HA": hours_west, "PARK_DEC": place.dec_deg}
            await mount.put("TELESCOPE_PARK_POSITION", parks)
            await mount.unpark()
            await mount.track(True)
            await mount.choose("ON_COORD_SET", "SYNC")
            here = {"RA": place.ra_deg / 15.0, "DEC": place.dec_deg}
            await mount.put("EQUATORIAL_EOD_COORD", here)

    asyncio.run(tell())


def ask(server: Server, name: str) -> str:
    """A value that the server has, by INDI's own tool: `device.vector.element`."""
    command = ["indi_getprop", "-1", "-p", str(server.port), name]
    done = subprocess.run(command, check=True, timeout=30, capture_output=True, text=True)
    return done.stdout.strip()


def configure(
    folder: Path,
    output: Path,
    port: int,
    *,
    cycles: int,
    sub_s: float = 30.0,
    start_steps: int = 42000,
) -> Place:
    """Write the three files of the daemon's configuration; R, G and B in equal parts."""
    place = midnight()
    folder.mkdir(exist_ok=True)
    filters = {"L": 0, "R": 0, "G": 40, "B": -40, "Ha": 0, "OIII": 0, "SII": 0, "Dark": 0}
    tables = "".join(
        f"[filter.{name}]\noffset_steps = {steps}\nwavelength_nm = 550\n"
        for name, steps in filters.items()
    )
    slots = ", ".join(f'"{name}"' for name in filters)
    (folder / "observatory.toml").write_text(f"""
name = "Midnight Terrace"
output_folder = "{output}"
[site]
latitude_deg = {LATITUDE_DEG}
longitude_deg = {place.longitude_deg:.4f}
elevation_m = 100.0
[server]
host = "127.0.0.1"
port = {port}
[optics]
focal_length_mm = {FOCAL_LENGTH_MM}
aperture_mm = 60.0
[camera]
device = "CCD Simulator"
gain = 90
offset = 0
pixel_um = {PIXEL_UM}
target_temperature_c = -1.0
cooling_ramp_c_per_min = 20.0
[guide_camera]
device = "Guide Simulator"
exposure_s = 1.0
focal_length_mm = {FOCAL_LENGTH_MM}
pixel_um = {GUIDE_PIXEL_UM}
[wheel]
device = "Filter Simulator"
slots = [{slots}]
{tables}
[focuser]
device = "Focuser Simulator"
step_um = 1.0
start_steps = {start_steps}
[mount]
device = "Telescope Simulator"
slew_settle_s = 1.0
[guide_port]
device = "Telescope Simulator"
[weather]
device = "Weather Simulator"
[roof]
device = "Dome Simulator"
[solver]
kind = "astrometry"
""")
    wanted_hours = (cycles * sub_s - 1) / 3600
    (folder / "targets.toml").write_text(
        f'[[target]]\nname = "Full Field"\nra_deg = {place.ra_deg:.5f}\ndec_deg = {place.dec_deg}\n'
        + "".join(
            f"[target.filter.{name}]\nexposure_s = {sub_s}\nwanted_hours = {wanted_hours:.6f}\n"
            for name in "RGB"
        )
    )
    (folder / "policies.toml").write_text(f"""
[focus]
points = 7
step_steps = 1200
exposure_s = 20.0
[guiding]
rest_within_arcsec = {REST_ARCSEC}
rest_for_s = 2.0
calibration_step_ms = 1500.0
[dither]
radius_px = 15.0
minimum_step_px = {LEAST_DITHER_PX}
[weather]
wait_safe_s = 2.0
[acquire]
tolerance_arcsec = {TOLERANCE_ARCSEC}
exposure_s = 20.0
[remote]
port = 0
[warm]
ramp_c_per_min = 20.0
until_c = 0.0
""")
    return place


def calibrated(output: Path, place: Place) -> None:
    """Have the ledger know from an earlier night how guide pulses move the stars."""
    output.mkdir(exist_ok=True)
    with Ledger(output / FILE_NAME) as ledger:
        ledger.add_calibration(
            GuideCalibration(
                measured_utc=WallClock().now(),
                pier_side="west",
                scale_arcsec_per_px=206.265 * GUIDE_PIXEL_UM / FOCAL_LENGTH_MM,
                declination_deg=place.dec_deg,
                ra_angle_deg=90.0,
                dec_angle_deg=180.0,
                ra_rate_px_per_s=4.5,
                dec_rate_px_per_s=4.5,
                backlash_s=0.0,
                north_is_south=False,
            )
        )


def program(name: str) -> str:
    """Path of a program that these tests cannot do without. Raises AssertionError."""
    path = shutil.which(name, path=SYSTEM_PATH)
    assert path, f"{name} is not installed; tests/all.sh installs it"
    return path
