"""The guard: nothing reaches the mount, the roof or the open shutter without passing here.

It refuses what breaks a limit, whoever asks, and says which limit. The limits themselves are plain
functions in `limits.py`.
"""

import asyncio

from nightloom.crew import limits
from nightloom.crew.pier import Pier
from nightloom.programme.prospect import site_of
from nightloom.programme.reach import HOUR_S
from nightloom.settings import Settings
from nightloom.sky import hour_angle_h, sidereal_deg, to_date
from nightloom.telemetry import Log
from nightloom.telemetry.events import (
    GuardRefused,
    MountParked,
    MountUnparked,
    RoofClosed,
    RoofOpened,
)
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Mount, PierSide, Roof, RoofState, Weather


class GuardRefusal(Exception):
    """A request that would have broken a limit; nothing was moved."""

    def __init__(self, request: str, limit: str) -> None:
        super().__init__(f"{request} refused: {limit}")
        self.request, self.limit = request, limit


class OutOfReach(GuardRefusal):
    """The place asked for is one where the telescope must not look, now or at all."""


class WrongSide(OutOfReach):
    """The mount went there on a side of its pier that must not look there; it was stopped."""


LOOK_S = 60.0
"""Between two looks at the hour angle while it is far from a limit."""


class Guard:
    """Mount, roof and weather behind one door."""

    def __init__(
        self,
        settings: Settings,
        mount: Mount,
        roof: Roof | None,
        weather: Weather | None,
        clock: Clock,
        log: Log,
    ) -> None:
        self._mount, self._roof, self._weather = mount, roof, weather
        self._clock, self._log = clock, log
        self._safety = settings.policies.safety
        self._site = site_of(settings)
        self.pier = Pier(settings.observatory.mount, mount)

    def unsafe_reasons(self) -> list[str]:
        """What speaks against an open roof now; empty when nothing does."""
        return [] if self._weather is None else list(self._weather.reading().reasons)

    @property
    def is_open(self) -> bool:
        """Whether nothing is between telescope and sky; a rig without a roof is always open."""
        return self._roof is None or self._roof.state is RoofState.OPEN

    async def unpark(self) -> None:
        """Free the mount. Raises GuardRefusal under a closed roof or in unsafe weather."""
        if not self._mount.is_parked:
            return
        self._demand("unparking", limits.weather(self.unsafe_reasons()), self._closed())
        await self._mount.unpark()
        self._log.emit(MountUnparked())

    async def slew(self, ra_deg: float, dec_deg: float) -> None:
        """Point at ICRS coordinates.

        Raises OutOfReach for a place where the telescope must not look, WrongSide when the mount
        went there the wrong way, and GuardRefusal where anything else speaks against a slew.
        """
        now_s = self._clock.unix_s()
        here = self._mount.position
        request = f"slewing to {ra_deg:.4f} {dec_deg:+.4f}"
        self._demand(
            request,
            limits.weather(self.unsafe_reasons()),
            self._closed(),
            limits.sun(
                self._site,
                (here.ra_hours, here.dec_deg),
                (ra_deg, dec_deg),
                now_s,
                self._safety.sun_distance_deg,
            ),
        )
        angle_h = float(hour_angle_h(self._site, ra_deg, dec_deg, now_s))
        self._demand(
            request,
            limits.altitude(self._site, ra_deg, dec_deg, now_s, self._safety.altitude_floor_deg),
            self.pier.forbids(self.pier.taken_for(angle_h), angle_h),
            kind=OutOfReach,
        )
        await self._mount.slew(*to_date(ra_deg, dec_deg, now_s))
        self.pier.went_to(angle_h)
        await self.check_side()

    def side_for(self, ra_deg: float, dec_deg: float) -> PierSide:
        """The side of the pier from which the mount will look at a place (ICRS)."""
        angle_h = hour_angle_h(self._site, ra_deg, dec_deg, self._clock.unix_s())
        return self.pier.taken_for(float(angle_h))

    async def check_side(self) -> None:
        """Stop a telescope that looks where its side of the pier must not. Raises WrongSide."""
        limit = self.pier.forbids(self.pier.side, self.hour_angle_h())
        if limit:
            await self._mount.track(False)
            self._demand("going on from here", limit, kind=WrongSide)

    def hour_angle_h(self) -> float:
        """Hour angle at which the mount points, by its own word, −12 to 12."""
        sidereal = float(sidereal_deg(self._clock.unix_s(), self._site.longitude_deg))
        angle_deg = sidereal - 15.0 * self._mount.position.ra_hours
        return ((angle_deg + 180.0) % 360.0 - 180.0) / 15.0

    def left_s(self) -> float:
        """Time until tracking leads to the last hour angle of this side; without end if never."""
        return HOUR_S * self.pier.left_h(self.hour_angle_h())

    async def until_limit(self) -> None:
        """Wait until tracking has led to a limit of the pier, and stop there. Raises WrongSide."""
        while True:
            if self._mount.is_tracking and not self._mount.is_moving:
                await self.check_side()
            await asyncio.sleep(max(1.0, min(LOOK_S, self.left_s())))

    async def park(self) -> None:
        """Park the mount: never refused, since every way to safety begins with it."""
        if self._mount.is_parked:
            return
        began_s = self._clock.unix_s()
        await self._mount.park()
        self._log.emit(MountParked(took_s=self._clock.unix_s() - began_s))

    async def open_roof(self) -> None:
        """Open. Raises GuardRefusal in unsafe weather or over a mount that is not parked."""
        if self._roof is None or self._roof.state is RoofState.OPEN:
            return
        self._demand("opening the roof", limits.weather(self.unsafe_reasons()), self._unparked())
        began_s = self._clock.unix_s()
        await self._roof.open()
        self._log.emit(RoofOpened(took_s=self._clock.unix_s() - began_s))

    async def close_roof(self) -> None:
        """Close. Raises GuardRefusal over a mount that is not parked."""
        if self._roof is None or self._roof.state is RoofState.CLOSED:
            return
        self._demand("closing the roof", self._unparked())
        began_s = self._clock.unix_s()
        await self._roof.close()
        self._log.emit(RoofClosed(took_s=self._clock.unix_s() - began_s))

    def _closed(self) -> str:
        return "" if self.is_open else "the roof is not open"

    def _unparked(self) -> str:
        return "" if self._mount.is_parked else "the mount is not parked"

    def _demand(self, request: str, *broken: str, kind: type[GuardRefusal] = GuardRefusal) -> None:
        limit = "; ".join(reason for reason in broken if reason)
        if limit:
            self._log.emit(GuardRefused(request=request, limit=limit))
            raise kind(request, limit)
