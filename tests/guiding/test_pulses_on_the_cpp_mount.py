"""Pulse semantics and rates on the mount simulator of the INDI library, under indiserver."""

import asyncio
from pathlib import Path

import pytest

from nightloom.guiding import Direction, Pulses
from nightloom_drivers.clock import WallClock
from nightloom_drivers.devices import GuidePort, GuidePortSettings, Mount, MountSettings
from nightloom_drivers.link.indi import IndiLink
from nightloom_drivers.link.vector import Vector
from servers import indiserver, west_of_the_meridian_h

pytestmark = pytest.mark.servers

SIDEREAL_ARCSEC_PER_S = 15.041  # 360° in a sidereal day of 86164.09 s
DEVICE = "Telescope Simulator"
LONGITUDE_DEG = 8.4
WAYS = {
    Direction.WEST: (-1, 0),
    Direction.EAST: (1, 0),
    Direction.NORTH: (0, 1),
    Direction.SOUTH: (0, -1),
}
"""Where the coordinates go: west is less right ascension (INDI standard properties)."""


def test_a_pulse_moves_by_the_guide_rate_in_sidereal_units(tmp_path: Path) -> None:
    """At 0.5 × sidereal 1.5 s are 11.3″; the simulator counts in ticks of about a second each,
    and its coordinates come rounded, so a fifth either way is allowed.
    """

    async def story(port_number: int) -> None:
        async with IndiLink("127.0.0.1", port_number) as link:
            mount = Mount(link, DEVICE, MountSettings(), WallClock())
            port = GuidePort(link, DEVICE, GuidePortSettings(), WallClock())
            await mount.connect()
            await mount.set_place(46.2, LONGITUDE_DEG, 900.0)
            await mount.set_time(WallClock().now())
            await mount.unpark()
            await mount.slew(west_of_the_meridian_h(3.0, LONGITUDE_DEG), 80.0)
            await port.connect()
            await port.put("GUIDE_RATE", {"GUIDE_RATE_WE": 0.5, "GUIDE_RATE_NS": 0.5})
            expected = 0.5 * SIDEREAL_ARCSEC_PER_S * 1.5
            for direction, (east, north) in WAYS.items():
                before = mount.position
                pulses = Pulses.one(direction, 1500)
                await port.pulse(
                    west_ms=pulses.west_ms - pulses.east_ms,
                    north_ms=pulses.north_ms - pulses.south_ms,
                )

                def moved(vector: Vector, ra_h: float, dec_deg: float) -> tuple[float, float]:
                    return (
                        (vector.number("RA") - ra_h) * 54000,
                        (vector.number("DEC") - dec_deg) * 3600,
                    )

                def arrived(
                    vector: Vector,
                    way: tuple[int, int] = (east, north),
                    ra_h: float = before.ra_hours,
                    dec_deg: float = before.dec_deg,
                ) -> bool:
                    seen = moved(vector, ra_h, dec_deg)
                    return all(
                        abs(one - expected * sign) < 0.2 * expected
                        for one, sign in zip(seen, way, strict=True)
                    )

                await link.wait(DEVICE, "EQUATORIAL_EOD_COORD", arrived, timeout_s=3)

    with indiserver(["indi_simulator_telescope"], tmp_path) as server:
        asyncio.run(story(server.port))
