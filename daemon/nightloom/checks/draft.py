"""A first configuration out of what an INDI server offers: the text of its files. Pure.

What drivers tell is written with who told it; what was guessed is marked so; what only a person
knows is left out, and asked for in a comment above the key.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from nightloom.checks import choosing
from nightloom.checks.choosing import Chosen, chosen
from nightloom.checks.draft_cameras import (
    camera_section,
    device_lines,
    first_length,
    guide_camera_section,
    told,
)
from nightloom.checks.draft_filters import filter_sections, slot_names
from nightloom.checks.looking import Offered
from nightloom.checks.toml_text import FILL_IN, GUESS, asked, comment, key_of, section, stated
from nightloom.settings import observatory as tables
from nightloom.settings.fields import model_at
from nightloom.settings.table import Table
from nightloom_drivers.devices.focuser import POSITION, STEPS
from nightloom_drivers.devices.weather_units import UNITS, stated_unit

MOST_STEPS = 1e9
"""No focuser counts so far; a driver that says so was told nothing."""

LONGEST_REST_S = 3600.0
"""A station that rests longer between two readings watches nothing."""

READINGS = 3.0
"""So many readings may be missed before a station counts as silent."""

HEAD = f"""\
# Drafted from what the INDI server at {{host}} port {{port}} offers.
# Below each "{FILL_IN}" there is a key that only you can know: write it, and take the # away.
# "{GUESS}" is what was guessed; see whether it is right. Then `nightloom check`, and
# `nightloom check --devices`. config/REFERENCE.md has every key, and config/example shows more.
#
{{cautions}}"""

MORE_OF_A_SITE = (
    "# You may add the zone in which you are told times, and what hides the sky:",
    '# time_zone = "Europe/Zurich"',
    "# horizon = [[0, 15], [90, 20], [180, 10]]  # azimuth and altitude in degrees",
)

POLICIES = """\
# How the night decides. Every key has a default: config/example/policies.toml shows them all.
"""


@dataclass(frozen=True)
class Rig:
    """What was chosen for each role."""

    camera: Chosen | None
    guide_camera: Chosen | None
    wheel: Chosen | None
    focuser: Chosen | None
    mount: Chosen | None
    guide_port: Chosen | None
    roof: Chosen | None
    stations: tuple[Offered, ...]
    simple: Mapping[str, Chosen]
    """By section the devices of all other roles, which need no more than their name."""


def rig_of(offers: Sequence[Offered]) -> Rig:
    """Which device is what."""
    camera, guide = choosing.cameras(offers)
    mount = chosen(offers, "mount")
    return Rig(
        camera=camera,
        guide_camera=guide,
        wheel=chosen(offers, "wheel"),
        focuser=chosen(offers, "focuser"),
        mount=mount,
        guide_port=choosing.guide_port(offers, mount, guide),
        roof=chosen(offers, "roof"),
        stations=tuple(choosing.claimants(offers, "weather")),
        simple={
            name: one
            for name in choosing.BITS
            if name not in (*Rig.__annotations__, "weather")
            if (one := chosen(offers, name)) is not None
        },
    )


def draft(offers: Sequence[Offered], host: str, port: int, cautions: str) -> Mapping[str, str]:
    """The text of each file of the configuration, by name."""
    rig = rig_of(offers)
    slots = slot_names(rig.wheel.device if rig.wheel else None)
    head = HEAD.format(host=host, port=port, cautions=cautions)
    parts = [head, "\n".join(_whole()), _site(offers, rig), _server(host, port), _optics(rig)]
    parts += [
        camera_section(rig.camera),
        guide_camera_section(rig.guide_camera, rig.mount),
        _wheel(rig.wheel, slots),
    ]
    parts += [*filter_sections(slots), _focuser(rig.focuser), _mount(rig.mount)]
    parts += [_named("guide_port", tables.GuidePort, rig.guide_port), *_stations(rig.stations)]
    parts += [*_roof(rig), *_simple(rig), *_unused(offers, rig)]
    return {
        "observatory.toml": "\n\n".join(parts) + "\n",
        "targets.toml": _targets(slots),
        "policies.toml": POLICIES,
    }


def _whole() -> Iterator[str]:
    yield stated(tables.Observatory, "name", "Observatory", GUESS)
    yield stated(tables.Observatory, "output_folder", "~/nightloom", GUESS)


def _named(name: str, model: type[Table], one: Chosen | None) -> str:
    return section(f"[{name}]", device_lines(model, one))


def _site(offers: Sequence[Offered], rig: Rig) -> str:
    """The place as the mount was told it, else as anything else was; never told is 0° and 0°."""
    model, told = tables.Site, [rig.mount.device] if rig.mount else []
    for one in [*told, *offers]:
        place = [one.number("GEOGRAPHIC_COORD", name) for name in ("LAT", "LONG", "ELEV")]
        if all(map(math.isfinite, place)) and (place[0] or place[1]) and abs(place[0]) <= 90:
            says, east_deg = f"as {one.name} says", (place[1] + 180.0) % 360.0 - 180.0
            lines = [
                stated(model, "latitude_deg", place[0], says),
                stated(model, "longitude_deg", east_deg, says),
                stated(model, "elevation_m", min(max(place[2], -450.0), 9000.0), says),
            ]
            break
    else:
        keys = ("latitude_deg", "longitude_deg", "elevation_m")
        lines = [asked(model, key, "no driver was told it") for key in keys]
    return section("[site]", [*lines, *MORE_OF_A_SITE])


def _server(host: str, port: int) -> str:
    lines = [stated(tables.Server, "host", host), stated(tables.Server, "port", port)]
    return section("[server]", lines)


def _optics(rig: Rig) -> str:
    """As the camera was told of its telescope, else the mount."""
    model = tables.Optics
    camera, mount = (one.device if one else None for one in (rig.camera, rig.mount))
    keys = (
        ("focal_length_mm", "FOCAL_LENGTH", "TELESCOPE_FOCAL_LENGTH"),
        ("aperture_mm", "APERTURE", "TELESCOPE_APERTURE"),
    )
    found = [
        first_length(((camera, "SCOPE_INFO", new), (mount, "TELESCOPE_INFO", old)))
        for _, new, old in keys
    ]
    lines = [told(model, key, one) for (key, _, _), one in zip(keys, found, strict=True)]
    values = [one[0] for one in found if one]
    if len(values) == 2 and values[0] < tables.FASTEST_RATIO * values[1]:
        lines = [asked(model, key, "what the drivers say cannot be") for key, _, _ in keys]
    return section("[optics]", [*lines, "# central_obstruction = 0.3  # add it for a mirror"])


def _wheel(one: Chosen | None, slots: Sequence[str]) -> str:
    lines = device_lines(tables.Wheel, one)
    if not slots:
        return section("[wheel]", [*lines, asked(tables.Wheel, "slots")])
    return section("[wheel]", [*lines, stated(tables.Wheel, "slots", list(slots))])


def _focuser(one: Chosen | None) -> str:
    model = tables.Focuser
    lines = [*device_lines(model, one), asked(model, "step_um", "from the maker")]
    if one is not None:
        position = one.device.vectors.get(POSITION)
        lowest, highest = position.limits.get(STEPS, (0.0, 0.0)) if position else (0.0, 0.0)
        if not 0 <= lowest < highest <= MOST_STEPS:
            lowest, highest = 0.0, one.device.number("FOCUS_MAX", "FOCUS_MAX_VALUE")
        if lowest < highest <= MOST_STEPS and highest >= 1:
            says = f"as {one.device.name} says; keep clear of the mechanical ends"
            lines += [
                stated(model, "minimum_steps", int(lowest), says),
                stated(model, "maximum_steps", int(highest), says),
            ]
    return section("[focuser]", lines)


def _mount(one: Chosen | None) -> str:
    model, limits = tables.Mount, f"{GUESS}: find it by hand, by day, then stay inside"
    lines = [
        *device_lines(model, one),
        stated(model, "needs_flip", True, GUESS),
        stated(model, "hour_angle_pier_west_h", [-6.0, 0.0], limits),
        stated(model, "hour_angle_pier_east_h", [0.0, 6.0], limits),
    ]
    return section("[mount]", lines)


def _stations(stations: Sequence[Offered]) -> Iterator[str]:
    """Every station: any that is unsafe or silent closes the roof."""
    for one in stations:
        period_s = one.number("WEATHER_UPDATE", "PERIOD")
        silence_s = READINGS * period_s if 0 < period_s <= LONGEST_REST_S else 0.0
        yield section(
            "[[weather]]" if len(stations) > 1 else "[weather]",
            [
                *device_lines(tables.Weather, Chosen(one)),
                stated(tables.Weather, "silence_s", max(180.0, silence_s)),
                *_limits(one),
            ],
        )


def _limits(one: Offered) -> Iterator[str]:
    """What limits may be added for, as its parameters and their units are."""
    parameters = one.vectors.get("WEATHER_PARAMETERS")
    if parameters is None:
        return
    yield "# You may add limits of your own, such as [weather.limit.WEATHER_WIND_SPEED] with"
    yield "# maximum_km_h = 30.0. It measures:"
    for name in parameters.elements:
        unit = stated_unit(parameters.labels.get(name, ""), parameters.formats.get(name, ""))
        yield comment(f"  {name}" + (f" in {UNITS[unit][0]}" if unit else ", no unit told"))


def _roof(rig: Rig) -> Iterator[str]:
    if rig.roof is None:
        return
    model = tables.Roof
    lines = [*device_lines(model, rig.roof), stated(model, "clears", "parked", GUESS)]
    if not rig.stations:
        lines.append(asked(model, "unwatched", "or add a [weather] station, which is safer"))
    yield section("[roof]", lines)


def _simple(rig: Rig) -> Iterator[str]:
    for name, one in rig.simple.items():
        model = model_at(tables.Observatory, (name,))
        if model is not None and issubclass(model, Table):
            yield _named(name, model, one)


def _unused(offers: Sequence[Offered], rig: Rig) -> Iterator[str]:
    said = [*vars(rig).values(), *rig.simple.values()]
    used = [one.device for one in said if isinstance(one, Chosen)]
    names = [one.name for one in offers if one not in [*used, *rig.stations]]
    if names:
        yield comment(f"Offered and not used here: {', '.join(names)}.")


def _targets(slots: Sequence[str]) -> str:
    names = slots[:4] or ("L",)
    example = [
        "[[target]]",
        'name = "M 31"',
        'ra = "00h42m44s"',
        'dec = "+41d16m09s"',
        *(f"[target.filter.{key_of(name)}]\nexposure_s = 120.0" for name in names),
    ]
    told = f"# {FILL_IN}: what to image, one [[target]] for each, such as\n#\n"
    return told + "\n".join(f"# {line}" for line in "\n".join(example).split("\n")) + "\n"
