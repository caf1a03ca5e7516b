"""Whether the devices that the configuration names are there and are what it takes them for."""

import asyncio
from collections.abc import Iterator

from nightloom.roles import ROLES, Role
from nightloom.settings import Observatory, Problem, Settings
from nightloom_drivers.errors import DeviceLate
from nightloom_drivers.link import Link, Vector


async def check_devices(settings: Settings, link: Link, *, patience_s: float) -> list[Problem]:
    """Problems of the devices over an open link, in the order of the configuration.

    A device is absent when it has defined nothing after `patience_s`. A wheel that is switched
    off is switched on to count its slots, and off again.
    """
    wanted = dict(_devices(settings.observatory))
    infos = await asyncio.gather(
        *(_heard(link, device, "DRIVER_INFO", patience_s) for device in wanted.values())
    )
    problems = []
    for (role, device), info in zip(wanted.items(), infos, strict=True):
        problem = _absent(role, device, link) if info is None else _unfit(role, device, info)
        if problem:
            problems.append(problem)
        elif role.section == "wheel":
            problems += await _wheel_problems(settings.observatory, link, patience_s)
    return problems


def _devices(observatory: Observatory) -> Iterator[tuple[Role, str]]:
    """Each role that names a device, and the name."""
    for role in ROLES:
        said = role.said(observatory)
        if said is not None:
            yield role, said.device


async def _heard(link: Link, device: str, name: str, patience_s: float) -> Vector | None:
    """The vector as soon as it is defined, or None when it is not in time."""
    try:
        return await link.wait(device, name, lambda _: True, timeout_s=patience_s)
    except DeviceLate:
        return None


def _absent(role: Role, device: str, link: Link) -> Problem:
    present = ", ".join(link.devices())
    there = f"the server has {present}" if present else "the server has no device at all"
    return Problem("observatory.toml", f"{role.section}.device", device, f"is not there; {there}")


def _unfit(role: Role, device: str, info: Vector) -> Problem | None:
    text = info.text("DRIVER_INTERFACE")
    claimed = int(text) if text.isdecimal() else 0
    if not role.interface or claimed & role.interface:
        return None
    claims = dict.fromkeys(other.words for other in ROLES if claimed & other.interface)
    says = " and ".join(claims) if claims else f"something else (DRIVER_INTERFACE {text!r})"
    wrong = f"is not {role.words}; its driver says it is {says}"
    return Problem("observatory.toml", f"{role.section}.device", device, wrong)


async def _wheel_problems(observatory: Observatory, link: Link, patience_s: float) -> list[Problem]:
    """Whether the wheel has as many slots as the configuration names."""
    wheel, asked = observatory.wheel, len(observatory.wheel.slots)
    slot = link.get(wheel.device, "FILTER_SLOT")
    switched_on = slot is None
    if switched_on:
        link.set(wheel.device, "CONNECTION", {"CONNECT": True, "DISCONNECT": False})
        slot = await _heard(link, wheel.device, "FILTER_SLOT", patience_s)
    if slot is None:
        wrong = "does not answer when it is switched on"
        return [Problem("observatory.toml", "wheel.device", wheel.device, wrong)]
    if switched_on:
        await _switch_off(link, wheel.device, patience_s)
    lowest, highest = slot.limits.get("FILTER_SLOT_VALUE", (0.0, 0.0))
    has = int(highest - lowest) + 1
    if highest == lowest or has == asked:
        return []
    wrong = f"names {asked} slots, and the wheel has {has}"
    return [Problem("observatory.toml", "wheel.slots", list(wheel.slots), wrong)]


async def _switch_off(link: Link, device: str, patience_s: float) -> None:
    before = link.set(device, "CONNECTION", {"CONNECT": False, "DISCONNECT": True})
    await link.wait(
        device,
        "CONNECTION",
        lambda connection: connection.on("DISCONNECT"),
        after=before,
        timeout_s=patience_s,
        asked="to switch off",
    )
