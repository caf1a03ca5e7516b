"""Rain on the C++ weather simulator, and what the server says of mount and shutter meanwhile."""

import threading
from dataclasses import dataclass

from nightloom_drivers.clock import WallClock
from rig.daemon import Daemon
from rig.observatory import ask, put
from servers import Server

PROMISED_S, PARK_S, TRAVEL_S = 90.0, 30.0, 6.0
DONE_S = PROMISED_S + PARK_S + TRAVEL_S
LOOK_S = 0.1
CLOCK = WallClock()


@dataclass(frozen=True)
class Shower:
    """What the server said of one rain, in seconds since the station was told to measure it."""

    phase: str
    """What the night was doing then, by the daemon's log."""
    open_before: bool
    parked_before: bool
    parked_s: float
    closed_s: float
    passed_free_mount: bool
    """Whether the shutter was seen closing over a mount that was not parked."""


def weather(server: Server, rain_mm: float) -> None:
    """Set the rain and have it measured now: by itself the station does so once a minute."""
    station = "Weather Simulator"
    put(
        server,
        (station, "WEATHER_CONTROL", {"Precip": rain_mm}),
        (station, "WEATHER_REFRESH", {"REFRESH": True}),
    )
    rain = ask(server, "Weather Simulator.WEATHER_STATUS.WEATHER_RAIN_HOUR")
    assert rain == ("Alert" if rain_mm else "Ok")


def is_open(server: Server) -> bool:
    return (
        ask(server, "Dome Simulator.DOME_SHUTTER.SHUTTER_OPEN") == "On"
        and ask(server, "Dome Simulator.DOME_SHUTTER._STATE") == "Ok"
    )


def is_parked(server: Server) -> bool:
    """At its park position and not tracking."""
    return (
        ask(server, "Telescope Simulator.TELESCOPE_PARK.PARK") == "On"
        and ask(server, "Telescope Simulator.TELESCOPE_PARK._STATE") == "Ok"
        and ask(server, "Telescope Simulator.TELESCOPE_TRACK_STATE.TRACK_ON") == "Off"
    )


def shower(server: Server, daemon: Daemon) -> Shower:
    """Have it rain until mount and shutter are safe, or should long have been."""
    phase = daemon.of("phase_changed")[-1]["after"]
    open_before, parked_before = is_open(server), is_parked(server)
    parked_s = closed_s = float("inf")
    passed_free_mount = False
    began_s = CLOCK.unix_s()
    weather(server, 1.0)
    while closed_s == float("inf") and CLOCK.unix_s() < began_s + DONE_S:
        # The shutter first: a mount that parks between the two looks is not held against it.
        closes = ask(server, "Dome Simulator.DOME_SHUTTER.SHUTTER_CLOSE") == "On"
        closed = closes and ask(server, "Dome Simulator.DOME_SHUTTER._STATE") == "Ok"
        parked, now_s = is_parked(server), CLOCK.unix_s() - began_s
        passed_free_mount |= closes and not parked
        if parked:
            parked_s = min(parked_s, now_s)
        if closed:
            closed_s = now_s
        threading.Event().wait(LOOK_S)
    return Shower(phase, open_before, parked_before, parked_s, closed_s, passed_free_mount)


def held_against(seen: Shower) -> list[str]:
    """What of a rain broke the promise."""
    wrong = {
        "the roof was not open": not seen.open_before,
        "the shutter closed over a free mount": seen.passed_free_mount,
        f"closed after {seen.closed_s:.0f} s": not seen.parked_s <= seen.closed_s < DONE_S,
    }
    return [what for what, is_so in wrong.items() if is_so]
