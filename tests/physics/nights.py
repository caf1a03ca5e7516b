"""Worlds for the physics tests: a winter night at the default site."""

from datetime import UTC, datetime
from typing import Any

from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import MountSettings, RigSettings

NOON_S = datetime(2026, 11, 14, 12, tzinfo=UTC).timestamp()

PERFECT_MOUNT = MountSettings(
    pointing_error_arcsec=0.0,
    polar_error_arcmin=0.0,
    periodic_error_arcsec=0.0,
    dec_backlash_arcsec=0.0,
)


def settings(**parts: Any) -> RigSettings:
    """A rig under invented stars, so that no installed catalogue matters."""
    return RigSettings(**{"stars": "seeded", **parts})


def open_world(
    hour_angle_h: float = -1.0, dec_deg: float = 50.0, **parts: Any
) -> tuple[World, float]:
    """Return a world in the dark with open roof, pointing at a place, and the time."""
    world = World(settings(**parts), 1, NOON_S)
    world.roof.open(NOON_S)
    world.mount.unpark(NOON_S)
    t_s = world.dusk_s + 3600
    ra_hours = (world.site.sidereal_deg(t_s) / 15 - hour_angle_h) % 24
    t_s += world.mount.begin_slew(t_s, ra_hours, dec_deg)
    return world, t_s
