"""The guard: nothing reaches the mount or the roof without passing here.

It refuses what breaks a limit, whoever asks, and says which limit. The limits themselves are plain
functions in `limits.py`. Park and close are never refused, but for a roof that would meet the
telescope.

Long on purpose: every way to mount and roof is to be read in one file.
"""

import asyncio
from dataclasses import dataclass

from nightloom.safety import limits
from nightloom.safety.acts import Acts
from nightloom.safety.pier import Pier
from nightloom.settings import Settings
from nightloom.sky import HOUR_S, hour_angle_h, sidereal_deg, to_date
from nightloom.telemetry import Log
from nightloom.telemetry.events import (
    GuardRefused,
    MountParked,
    MountUnparked,
    RoofBelieved,
    RoofClosed,
    RoofOpened,
)
from nightloom_drivers.clock import SteadyClock, steady_s
from nightloom_drivers.devices import (
    Device,
    Mount,
    PierSide,
    Position,
    Roof,
    RoofState,
    RoofUnmoved,
    Stations,
    Weather,
)
from nightloom_drivers.errors import DeviceError, DeviceGone
from nightloom_drivers.link import Link


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

STATION_SPEAKS_S = 30.0
"""So long after the connection a station that was asked for its readings may take to send them."""


@dataclass(frozen=True)
class SafetyDevices:
    """What the guard stands before. Without a roof the telescope stands in the open; of several
    weather stations any that is unsafe or silent makes the weather unsafe.
    """

    link: Link
    mount: Mount
    roof: Roof | None
    weather: tuple[Weather, ...]


class Guard:
    """Mount, roof and weather behind one door."""

    def __init__(
        self, settings: Settings, devices: SafetyDevices, acts: Acts, clock: SteadyClock, log: Log
    ) -> None:
        self._link = devices.link
        self._mount, self._roof = devices.mount, devices.roof
        self._weather = Stations(devices.weather) if devices.weather else None
        self._acts, self._clock, self._log = acts, clock, log
        self._safety = settings.policies.safety
        self._site = settings.observatory.site.place
        self._slewing = False
        said = settings.observatory.roof
        self._may_be_blind = said is None or said.unwatched
        self.roof_clears_always = said is not None and said.clears == "always"
        self.pier = Pier(settings.observatory.mount, self._mount)

    # Connecting -------------------------------------------------------------------------------

    async def linked(self, deadline_s: float) -> None:
        """Wait until the link stands. Raises DeviceGone."""
        await self._link.linked(deadline_s)

    async def connect_mount(self, *, anew: bool = False) -> None:
        """Have the mount connected; `anew` switches it off and on. Raises DeviceError."""
        await _connected(self._mount, anew=anew)

    async def connect_roof(self, *, anew: bool = False) -> None:
        """Have the roof connected, where there is one. Raises DeviceError."""
        if self._roof is not None:
            await _connected(self._roof, anew=anew)

    async def connect_station(self) -> None:
        """Have each weather station connected, as far as they can be. Raises DeviceError."""
        failed: DeviceError | None = None
        for station in self._weather.stations if self._weather else ():
            try:
                await _connected(station, anew=False)
            except DeviceError as error:
                failed = error
        if failed is not None:
            raise failed

    async def tell_place_and_time(self) -> None:
        """Tell the mount where and when it is, and have it read back: some drivers know better."""
        mount, site = self._mount, self._site
        if mount.has("GEOGRAPHIC_COORD"):
            await mount.set_place(site.latitude_deg, site.longitude_deg, site.elevation_m)
        if mount.has("TIME_UTC"):
            await mount.set_time(self._clock.now())

    # What is known ----------------------------------------------------------------------------

    def unsafe_reasons(self) -> list[str]:
        """What speaks against an open roof now; empty when nothing does."""
        if self._weather is None:
            return [] if self._may_be_blind else ["no station watches the sky"]
        return list(self._weather.reading().reasons)

    @property
    def is_open(self) -> bool:
        """Whether nothing is between telescope and sky; a rig without a roof is always open."""
        return self._roof is None or self._roof.seen is RoofState.OPEN

    @property
    def is_parked(self) -> bool:
        """Whether the mount was seen to park, and rests."""
        return self._link.connected and self._mount.seen_parked

    @property
    def is_safe(self) -> bool:
        """Whether it is parked and closed, both seen to come about."""
        return self.is_parked and (self._roof is None or self._roof.seen is RoofState.CLOSED)

    @property
    def is_tracking(self) -> bool:
        """Whether the mount follows the sky, by its own word."""
        return self._mount.is_tracking

    def need_mount(self) -> None:
        """See that the mount says where it points. Raises DeviceGone for one whose driver started
        anew, or is out of reach: whoever tracks on then passes its limits unseen.
        """
        if not self._mount.is_ready:
            seen = "its driver has started anew, or is gone"
            raise DeviceGone(
                self._mount.device, "EQUATORIAL_EOD_COORD", asked="where it points", seen=seen
            )

    @property
    def mount_in_a_word(self) -> str:
        """Parked, moving, tracking or at rest; unknown while it is not connected."""
        if not self._mount.is_ready:
            return "unknown"
        if self.is_parked:
            return "parked"
        return "moving" if self._mount.is_moving else "tracking" if self.is_tracking else "at rest"

    @property
    def roof_in_a_word(self) -> str:
        """Open or closed as it was seen to become, or unknown; none where there is no roof."""
        return "none" if self._roof is None else str(self._roof.seen)

    @property
    def position(self) -> Position:
        """Where the mount takes itself to point."""
        return self._mount.position

    def hour_angle_h(self) -> float:
        """Hour angle at which the mount points, by its own word, −12 to 12."""
        return self._hour_angle_h(self._clock.unix_s())

    def left_s(self) -> float:
        """Time until tracking leads to the last hour angle of this side; without end if never."""
        return HOUR_S * self.pier.left_h(max(map(self._hour_angle_h, self._clock.both_s())))

    def later_s(self) -> float:
        """The present in Unix seconds: the later one, where somebody has set the clock."""
        return max(self._clock.both_s())

    # Waiting ----------------------------------------------------------------------------------

    async def until_linked(self) -> None:
        """Wait until the link stands, however long."""
        await self._link.until_connected()

    async def until_exposed(self) -> str:
        """Wait until unsafe weather finds the rig other than parked and closed, and say why.

        A station that has just been connected is given time to speak. Raises DeviceGone when the
        link is lost meanwhile: nothing can be done about the weather then.
        """
        if self._weather is None:
            await asyncio.get_running_loop().create_future()
        assert self._weather is not None
        await self._link.until_connected()
        speaks_s = asyncio.get_running_loop().time() + STATION_SPEAKS_S
        while True:
            report = await self._weather.until_unsafe()
            if not self._link.connected:
                seen = "the link is down"
                raise DeviceGone(self._weather.names, "CONNECTION", asked="to last", seen=seen)
            waits = report.never_heard and asyncio.get_running_loop().time() < speaks_s
            if not waits and not self.is_safe:
                return "; ".join(report.reasons)
            await asyncio.sleep(1.0)

    async def until_weather_is_safe(self, for_s: float) -> None:
        """Wait until the weather has been safe for so long: for ever, where nobody can tell."""
        if self._weather is not None:
            await self._weather.until_safe(for_s=for_s)
        elif not self._may_be_blind:
            await asyncio.get_running_loop().create_future()

    async def until_limit(self) -> None:
        """Wait until tracking has led to a limit of the pier, and stop there. Raises WrongSide."""
        while True:
            left_s = LOOK_S
            if self._mount.is_ready and not self._slewing:
                if self._mount.is_tracking and not self._mount.is_moving:
                    await self.check_side()
                left_s = self.left_s()
            await asyncio.sleep(max(1.0, min(LOOK_S, left_s)))

    # Mount ------------------------------------------------------------------------------------

    async def unpark(self) -> None:
        """Free the mount. Raises GuardRefusal under a closed roof or in unsafe weather."""
        if not self._mount.is_parked:
            return
        self._demand("unparking", limits.weather(self.unsafe_reasons()), self._closed())
        async with self._acts.of("mount", "unpark"):
            await self._mount.unpark()
        self._log.emit(MountUnparked())

    async def slew(self, ra_deg: float, dec_deg: float) -> None:
        """Point at ICRS coordinates.

        Raises OutOfReach for a place where the telescope must not look, WrongSide when the mount
        went there the wrong way, and GuardRefusal where anything else speaks against a slew.
        """
        now_s = self._clock.unix_s()
        angle_h = float(hour_angle_h(self._site, ra_deg, dec_deg, now_s))
        request = f"slewing to {ra_deg:.4f} {dec_deg:+.4f}"
        self._demand(
            request,
            limits.weather(self.unsafe_reasons()),
            self._closed(),
            "" if self._mount.knows_position else "the mount does not say where it points",
            *(self._sun(ra_deg, dec_deg, at_s) for at_s in self._clock.both_s()),
        )
        self._demand(
            request,
            limits.altitude(self._site, ra_deg, dec_deg, now_s, self._safety.altitude_floor_deg),
            self.pier.forbids(self.pier.taken_for(angle_h), angle_h),
            kind=OutOfReach,
        )
        self._slewing = True
        try:
            async with self._acts.of("mount", "slew"):
                await self._mount.slew(*to_date(ra_deg, dec_deg, now_s))
            self.pier.went_to(angle_h)
        finally:
            self._slewing = False
        await self.check_side()

    async def sync(self, ra_deg: float, dec_deg: float) -> None:
        """Tell the mount that it points at these ICRS coordinates."""
        await self._mount.sync(*to_date(ra_deg, dec_deg, self._clock.unix_s()))

    async def stand_still(self) -> None:
        """Have the mount stop tracking, if it tracks."""
        if self._mount.is_tracking:
            await self._mount.track(False)

    async def keep_still(self) -> None:
        """Have the mount stand still, and again whenever it tracks, until this is cancelled.

        Some go on tracking by themselves after a slew that was stopped. Raises DeviceError.
        """
        news = asyncio.Event()
        with self._link.listen(lambda _: news.set()):
            while True:
                news.clear()
                if self._mount.is_ready:
                    await self.stand_still()
                await news.wait()

    def side_for(self, ra_deg: float, dec_deg: float) -> PierSide:
        """The side of the pier from which the mount will look at a place (ICRS)."""
        angle_h = hour_angle_h(self._site, ra_deg, dec_deg, self._clock.unix_s())
        return self.pier.taken_for(float(angle_h))

    async def check_side(self) -> None:
        """Stop a telescope that looks where its side of the pier must not. Raises WrongSide."""
        for at_s in self._clock.both_s():
            limit = self.pier.forbids(self.pier.side, self._hour_angle_h(at_s))
            if limit:
                await self._mount.track(False)
                self._demand("going on from here", limit, kind=WrongSide)

    async def park(self) -> None:
        """Park the mount: never refused, since every way to safety begins with it."""
        if self.is_parked:
            return
        began_s = steady_s()
        was_free = self._acts.may_be_free("mount")
        async with self._acts.of("mount", "park"):
            await self._mount.park(released_first=was_free)
        self._log.emit(MountParked(took_s=steady_s() - began_s))

    # Roof -------------------------------------------------------------------------------------

    async def open_roof(self) -> None:
        """Open. Raises GuardRefusal in unsafe weather, by day, or over a mount not parked."""
        if self._roof is None or self.is_open:
            return
        self._demand(
            "opening the roof",
            limits.weather(self.unsafe_reasons()),
            *(
                limits.daylight(self._site, at_s, self._safety.sun_altitude_deg)
                for at_s in self._clock.both_s()
            ),
            self._unparked(),
        )
        began_s = steady_s()
        async with self._acts.of("roof", "open"):
            await self._roof.open()
        self._log.emit(RoofOpened(took_s=steady_s() - began_s))

    async def close_roof(self) -> None:
        """Close. Raises GuardRefusal over a mount not parked, unless the roof clears it."""
        if self._roof is None or self._roof.seen is RoofState.CLOSED:
            return
        if not self.roof_clears_always:
            self._demand("closing the roof", self._unparked())
        began_s = steady_s()
        was_open = self._acts.may_be_free("roof")
        async with self._acts.of("roof", "close"):
            await self._close(self._roof, was_open)
        self._log.emit(RoofClosed(took_s=steady_s() - began_s))

    async def _close(self, roof: Roof, was_open: bool) -> None:
        """Close a roof, also one that says it is closed and does not move.

        One that was open by the record is wrong about that: it closes when it was opened before.
        """
        try:
            await roof.close()
        except RoofUnmoved as refusal:
            if was_open:
                await roof.open()
                await roof.close()
            else:
                roof.believe()
                self._log.emit(RoofBelieved(reason=str(refusal)))

    # How --------------------------------------------------------------------------------------

    def _hour_angle_h(self, at_s: float) -> float:
        sidereal = float(sidereal_deg(at_s, self._site.longitude_deg))
        angle_deg = sidereal - 15.0 * self._mount.position.ra_hours
        return ((angle_deg + 180.0) % 360.0 - 180.0) / 15.0

    def _sun(self, ra_deg: float, dec_deg: float, at_s: float) -> str:
        here = self._mount.position
        return limits.sun(
            self._site,
            (here.ra_hours, here.dec_deg),
            (ra_deg, dec_deg),
            at_s,
            self._safety.sun_distance_deg,
            turns_over=self.pier.turns_over(float(hour_angle_h(self._site, ra_deg, dec_deg, at_s))),
        )

    def _closed(self) -> str:
        return "" if self.is_open else "the roof was not seen to open"

    def _unparked(self) -> str:
        return "" if self.is_parked else "the mount was not seen to park"

    def _demand(self, request: str, *broken: str, kind: type[GuardRefusal] = GuardRefusal) -> None:
        limit = "; ".join(dict.fromkeys(reason for reason in broken if reason))
        if limit:
            self._log.emit(GuardRefused(request=request, limit=limit))
            raise kind(request, limit)


async def _connected(device: Device, *, anew: bool) -> None:
    if anew:
        await device.reconnect()
    elif not device.is_ready:
        await device.connect()
