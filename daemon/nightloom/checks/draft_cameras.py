"""The cameras of a drafted configuration, and how what drivers tell is written. Pure."""

import math
from collections.abc import Iterator, Sequence

from nightloom.checks import choosing
from nightloom.checks.choosing import Chosen
from nightloom.checks.looking import Offered
from nightloom.checks.toml_text import GUESS, asked, comment, section, stated
from nightloom.settings import observatory as tables
from nightloom.settings.table import Table
from nightloom_drivers.devices.camera import CONTROLS
from nightloom_drivers.devices.cooling import TEMPERATURE

LONGEST_MM = 1e5
"""No telescope that is driven so is longer; drivers that were told nothing say 0."""


def device_lines(model: type[Table], one: Chosen | None) -> list[str]:
    """The line that names a section's device, and asks for it where there is none."""
    if one is None:
        return [asked(model, "device", "the server offers none")]
    guess = f"{GUESS}: {one.why}" if one.why else ""
    lines = [stated(model, "device", one.device.name, guess)]
    dead = f"{one.device.name} did not answer when it was switched on: its numbers are missing"
    return lines if one.device.answers else [comment(dead), *lines]


Source = tuple[Offered | None, str, str]


def first_length(sources: Sequence[Source]) -> tuple[float, str] | None:
    """The first length in millimetres that a telescope may have, and who says it."""
    for one, vector, element in sources:
        value = one.number(vector, element) if one else math.nan
        if one and 1.0 <= value <= LONGEST_MM:
            return value, f"{GUESS}: as {one.name} says"
    return None


def told(model: type[Table], key: str, found: tuple[float, str] | None, least: float = 0.0) -> str:
    """A key with a length that was found, or else asked for."""
    return stated(model, key, *found) if found and found[0] >= least else asked(model, key)


def camera_section(one: Chosen | None) -> str:
    """The imaging camera, as it is set now."""
    model, lines = tables.Camera, device_lines(tables.Camera, one)
    if one is None:
        return section("[camera]", lines)
    lines += [
        stated(model, control, value, "as it is now") if 0 <= value < math.inf
        else comment(f"It has no {control} that could be set.")
        for control in ("gain", "offset")
        for value in [_control(one.device, control)]
    ]  # fmt: skip
    temperature = one.device.vectors.get(TEMPERATURE)
    if temperature is None or not temperature.writable:
        lines.append(stated(model, "cooled", False, "it has no temperature that could be set"))
    else:
        lines.append(
            stated(model, "target_temperature_c", -10.0, f"{GUESS}: one it reaches all year")
        )
    return section("[camera]", [*lines, *_sensor(model, one)])


def _control(one: Offered, control: str) -> float:
    """A camera's gain or offset as it is now; NaN when it has none."""
    for name in CONTROLS:
        vector = one.vectors.get(name)
        for element in vector.elements if vector else ():
            if element.casefold() == control:
                return one.number(name, element)
    return math.nan


def _sensor(model: type[Table], one: Chosen) -> Iterator[str]:
    width_um, height_um = choosing.pixels_um(one.device, one.head)
    if tables.LEAST_PIXEL_UM <= width_um <= tables.MOST_PIXEL_UM:
        yield stated(model, "pixel_um", width_um, f"as {one.device.name} says")
        if height_um != width_um:
            yield comment(
                f"Its pixels are {width_um:g} µm wide and {height_um:g} µm high; square ones are"
                " taken for granted."
            )
    else:
        yield asked(model, "pixel_um")
    columns, rows = choosing.size_px(one.device, one.head)
    if 16 <= columns <= 65535 and 16 <= rows <= 65535:
        yield stated(model, "width_px", int(columns))
        yield stated(model, "height_px", int(rows))


def guide_camera_section(one: Chosen | None, its_mount: Chosen | None) -> str:
    """The guide camera; its telescope as its driver tells, else the mount's."""
    model = tables.GuideCamera
    lines = device_lines(model, one)
    camera, mount = (each.device if each else None for each in (one, its_mount))
    if one is not None:
        lines.append(stated(model, "head", one.head))
    own = (camera, "SCOPE_INFO", "FOCAL_LENGTH")
    focal = first_length((own, (mount, "TELESCOPE_INFO", "GUIDER_FOCAL_LENGTH")))
    lines.append(told(model, "focal_length_mm", focal, least=10.0))
    if one is None:
        return section("[guide_camera]", [*lines, asked(model, "pixel_um")])
    return section("[guide_camera]", [*lines, *_sensor(model, one)])
