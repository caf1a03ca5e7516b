"""The guard: nothing reaches the mount, the roof or the open shutter without passing here.

It refuses what breaks a limit, whoever asks, and says which limit. The limits themselves are plain
functions in `limits.py`.
"""

from nightloom.night import limits
from nightloom.night.prospect import site_of
from nightloom.settings import Settings
from nightloom.sky import to_date
from nightloom.telemetry import Log
from nightloom.telemetry.events import (
    GuardRefused,
    MountParked,
    MountUnparked,
    RoofClosed,
    RoofOpened,
)
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Mount, Roof, RoofState, Weather


class GuardRefusal(Exception):
    """A request that would have broken a limit; nothing was moved."""

    def __init__(self, request: str, limit: str) -> None:
        super().__init__(f"{request} refused: {limit}")
        self.request, self.limit = request, limit


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
        """Point at ICRS coordinates. Raises GuardRefusal where that breaks a limit."""
        now_s = self._clock.unix_s()
        here = self._mount.position
        self._demand(
            f"slewing to {ra_deg:.4f} {dec_deg:+.4f}",
            limits.weather(self.unsafe_reasons()),
            self._closed(),
            limits.altitude(self._site, ra_deg, dec_deg, now_s, self._safety.altitude_floor_deg),
            limits.sun(
                self._site,
                (here.ra_hours, here.dec_deg),
                (ra_deg, dec_deg),
                now_s,
                self._safety.sun_distance_deg,
            ),
        )
        await self._mount.slew(*to_date(ra_deg, dec_deg, now_s))

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

    def _demand(self, request: str, *broken: str) -> None:
        limit = "; ".join(reason for reason in broken if reason)
        if limit:
            self._log.emit(GuardRefused(request=request, limit=limit))
            raise GuardRefusal(request, limit)
