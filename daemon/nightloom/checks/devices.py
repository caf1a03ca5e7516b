"""Whether the devices that the configuration names are there and are what it takes them for."""

import asyncio
from collections.abc import Iterator

from nightloom.checks.looking import heard, shown
from nightloom.checks.stations import station_problems
from nightloom.roles import ROLES, NamesDevice, Role
from nightloom.seen_sensors import Seen, SeenSensor, cameras, head_of
from nightloom.settings import Observatory, Problem, Settings
from nightloom.settings.observatory import Weather
from nightloom_drivers.devices.chip import CHIPS
from nightloom_drivers.link import Link, Vector

LEAST_PX = 16
"""A sensor is no smaller; what a driver says before it has asked its camera is 0."""


async def check_devices(settings: Settings, link: Link, *, patience_s: float) -> list[Problem]:
    """Problems of the devices over an open link, in the order of the configuration.

    A device is absent when it has defined nothing after `patience_s`. A wheel or a station that is
    switched off is switched on to count its slots or see its parameters, and off again.
    """
    wanted = list(_devices(settings.observatory))
    infos = await asyncio.gather(
        *(heard(link, said.device, "DRIVER_INFO", patience_s) for _, _, said in wanted)
    )
    problems = []
    for (role, place, said), info in zip(wanted, infos, strict=True):
        if info is None:
            problem: Problem | None = _absent(place, said, link)
        else:
            problem = _unfit(role, place, said, info)
        if problem:
            problems.append(problem)
        elif role.section == "wheel":
            problems += await _wheel_problems(settings.observatory, link, patience_s)
        elif isinstance(said, Weather):
            parameters = shown(link, said.device, "WEATHER_PARAMETERS", patience_s)
            problems += await station_problems(said, place, link, parameters)
    return problems


async def see_sensors(observatory: Observatory, link: Link, *, patience_s: float) -> Seen:
    """The sensors of the cameras that tell their size. One that is off is switched on meanwhile."""
    seen = {}
    for name, said in cameras(observatory).items():
        if await heard(link, said.device, "CONNECTION", patience_s) is None:
            continue
        vector = f"{CHIPS[head_of(said)].prefix}_INFO"
        async with shown(link, said.device, vector, patience_s) as info:
            if info is not None:  # drivers define it first, and then ask their camera
                info = await heard(link, said.device, vector, patience_s, _has_size)
            if info is None:
                continue
            whole = await heard(link, said.device, vector, patience_s, _has_pixels)
            info = whole or info
            seen[name] = SeenSensor(
                device=said.device,
                head=head_of(said),
                width_px=int(info.number("CCD_MAX_X")),
                height_px=int(info.number("CCD_MAX_Y")),
                pixel_um=round(info.number("CCD_PIXEL_SIZE"), 3) or None,  # some say 5.1999998
            )
    return seen


def device_names(observatory: Observatory) -> list[str]:
    """The devices that the configuration names, each once."""
    return list(dict.fromkeys(said.device for _, _, said in _devices(observatory)))


def _devices(observatory: Observatory) -> Iterator[tuple[Role, str, NamesDevice]]:
    """Each role that names a device, where that stands, and its section."""
    for role in ROLES:
        for number, said in enumerate(role.said(observatory)):
            yield role, role.place(number), said


def _has_size(info: Vector) -> bool:
    return min(info.number("CCD_MAX_X"), info.number("CCD_MAX_Y")) >= LEAST_PX


def _has_pixels(info: Vector) -> bool:
    return _has_size(info) and info.number("CCD_PIXEL_SIZE") > 0


def _absent(place: str, said: NamesDevice, link: Link) -> Problem:
    present = ", ".join(link.devices())
    there = f"the server has {present}" if present else "the server has no device at all"
    return Problem("observatory.toml", f"{place}.device", said.device, f"is not there; {there}")


def _unfit(role: Role, place: str, said: NamesDevice, info: Vector) -> Problem | None:
    text = info.text("DRIVER_INTERFACE")
    claimed = int(text) if text.isdecimal() else 0
    if not role.interface or claimed & role.interface:
        return None
    claims = dict.fromkeys(other.words for other in ROLES if claimed & other.interface)
    says = " and ".join(claims) if claims else f"something else (DRIVER_INTERFACE {text!r})"
    wrong = f"is not {role.words}; its driver says it is {says}"
    return Problem("observatory.toml", f"{place}.device", said.device, wrong)


async def _wheel_problems(observatory: Observatory, link: Link, patience_s: float) -> list[Problem]:
    """Whether the wheel has as many slots as the configuration names."""
    wheel, asked = observatory.wheel, len(observatory.wheel.slots)
    async with shown(link, wheel.device, "FILTER_SLOT", patience_s) as slot:
        if slot is None:
            wrong = "does not answer when it is switched on"
            return [Problem("observatory.toml", "wheel.device", wheel.device, wrong)]
    lowest, highest = slot.limits.get("FILTER_SLOT_VALUE", (0.0, 0.0))
    has = int(highest - lowest) + 1
    if highest == lowest or has == asked:
        return []
    wrong = f"names {asked} slots, and the wheel has {has}"
    return [Problem("observatory.toml", "wheel.slots", list(wheel.slots), wrong)]
