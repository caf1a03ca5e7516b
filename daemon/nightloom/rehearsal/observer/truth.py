"""What is so at a moment, read off the simulated world."""

from dataclasses import dataclass

import numpy as np

from nightloom.rehearsal.observer.rules import ROOF_OVER_PARKED
from nightloom_drivers.physics.world import World


@dataclass(frozen=True)
class Moment:
    """How things stand; `roof` is 0 when closed and 1 when open."""

    t_s: float
    roof: float
    roof_moves: bool
    stands_parked: bool
    tracks: bool
    slews: bool
    parks: bool
    sun_altitude_deg: float

    @property
    def closed(self) -> bool:
        """Whether the roof is fully closed."""
        return self.roof < 1e-6

    @property
    def open(self) -> bool:
        """Whether the roof is fully open."""
        return self.roof > 1 - 1e-6


def moment(world: World, t_s: float) -> Moment:
    """The world at a time that has come."""
    mount, roof = world.mount, world.roof
    tracks, slews = mount.is_tracking(t_s), mount.is_slewing(t_s)
    away_deg = np.subtract(mount.axes_deg(t_s), mount.park_axes_deg)
    return Moment(
        t_s,
        roof.position(t_s),
        roof.is_moving(t_s),
        not tracks and not slews and float(np.abs(away_deg).max()) < ROOF_OVER_PARKED.tolerance,
        tracks,
        slews,
        mount.is_parking(t_s),
        world.site.sun_altitude_deg(t_s),
    )
