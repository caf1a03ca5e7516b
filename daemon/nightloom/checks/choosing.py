"""Which of the devices that a server offers is what: guesses, each with its reason. Pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from nightloom.checks.looking import Offered
from nightloom.roles import ROLES
from nightloom_drivers.devices.chip import CHIPS
from nightloom_drivers.devices.cooling import TEMPERATURE

Head = Literal["main", "guide"]

BITS = {role.section: role.interface for role in ROLES if role.interface}
"""What a driver must claim to be a role's device, by section."""


@dataclass(frozen=True)
class Chosen:
    """A device for a role, and why it was taken; `why` is empty where there was no choice."""

    device: Offered
    why: str = ""
    head: Head = "main"


def claimants(offers: Sequence[Offered], section: str) -> list[Offered]:
    """The devices that claim a role, those first that claim the fewest others: a camera with a
    wheel in it is more of a camera.
    """
    bit = BITS[section]
    fit = [one for one in offers if one.interface & bit]
    return sorted(fit, key=lambda one: one.interface.bit_count())


def chosen(offers: Sequence[Offered], section: str) -> Chosen | None:
    """The device for a role that one device has, but for cameras and the guide port."""
    fit = claimants(offers, section)
    return Chosen(fit[0], _instead_of(fit)) if fit else None


def cameras(offers: Sequence[Offered]) -> tuple[Chosen | None, Chosen | None]:
    """The imaging camera and the guide camera. Of two the guide camera is taken to be the one that
    is named so, else the one without a cooler, else the one with the smaller sensor; of one, its
    guide head.
    """
    fit = claimants(offers, "camera")
    if not fit:
        return None, None
    if len(fit) == 1:
        (only,) = fit
        head = Chosen(only, "the second chip of the same camera", "guide")
        return Chosen(only), head if "GUIDER_INFO" in only.vectors else None
    guide = min(fit, key=_guide_likeness)
    rest = [one for one in fit if one is not guide]
    camera = max(rest, key=lambda one: (_has_cooler(one), _area(one)))
    return Chosen(camera, _instead_of([camera, *rest])), Chosen(guide, _why_guide(guide, camera))


def guide_port(
    offers: Sequence[Offered], mount: Chosen | None, guide: Chosen | None
) -> Chosen | None:
    """What takes the guide pulses: the mount if it does, else the guide camera's cable."""
    fit = claimants(offers, "guide_port")
    for one, why in ((mount, "the mount takes pulses"), (guide, "a cable from the guide camera")):
        if one is not None and one.device in fit:
            return Chosen(one.device, f"{why}, as it seems")
    return Chosen(fit[0], "nothing else takes pulses") if fit else None


def pixels_um(one: Offered, head: Head = "main") -> tuple[float, float]:
    """Width and height of a chip's pixels; NaN where nobody tells."""
    info = f"{CHIPS[head].prefix}_INFO"
    single = one.number(info, "CCD_PIXEL_SIZE")
    sides = (one.number(info, f"CCD_PIXEL_SIZE_{axis}") for axis in "XY")
    width, height = (round(side if side > 0 else single, 3) for side in sides)
    return width, height


def size_px(one: Offered, head: Head = "main") -> tuple[float, float]:
    """Columns and rows of a chip; NaN where nobody tells."""
    info = f"{CHIPS[head].prefix}_INFO"
    return one.number(info, "CCD_MAX_X"), one.number(info, "CCD_MAX_Y")


def _guide_likeness(one: Offered) -> tuple[bool, bool, float]:
    return ("guid" not in one.name.casefold(), _has_cooler(one), _area(one))


def _why_guide(guide: Offered, camera: Offered) -> str:
    if "guid" in guide.name.casefold():
        return "it is named so"
    if _has_cooler(camera) and not _has_cooler(guide):
        return f"it has no cooler, and {camera.name} has one"
    return f"its sensor is no larger than that of {camera.name}"


def _has_cooler(one: Offered) -> bool:
    temperature = one.vectors.get(TEMPERATURE)
    return temperature is not None and temperature.writable


def _area(one: Offered) -> float:
    pixel_um, (columns, rows) = pixels_um(one)[0], size_px(one)
    side_um = pixel_um if pixel_um > 0 else 1.0
    area = columns * rows * side_um * side_um
    return area if math.isfinite(area) else 0.0


def _instead_of(fit: Sequence[Offered]) -> str:
    others = ", ".join(dict.fromkeys(one.name for one in fit if one is not fit[0]))
    return f"there is {others} as well" if others else ""
