"""Whether devices can do what the configuration asks of them, by what their drivers show. Pure.

What would fail at night is a Problem with its mend; what only differs is a sentence.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from nightloom.checks.choosing import Head, pixels_um
from nightloom.checks.draft_filters import slot_names
from nightloom.checks.looking import Offered
from nightloom.checks.plausible import dusk, spelled_place
from nightloom.roles import ROLES, NamesDevice
from nightloom.seen_sensors import head_of
from nightloom.settings import Problem, Settings
from nightloom.settings.observatory import Camera, GuideCamera
from nightloom.sky import Site as Place
from nightloom.sky import separation_deg
from nightloom_drivers.devices import DustCap, FilterWheel, Focuser, GuidePort, Mount
from nightloom_drivers.devices.camera import CONTROLS
from nightloom_drivers.devices.chip import CHIPS
from nightloom_drivers.devices.cooling import CELSIUS, TEMPERATURE
from nightloom_drivers.devices.focuser import POSITION, STEPS
from nightloom_drivers.devices.mount import PARKING
from nightloom_drivers.link import Vector

FILE = "observatory.toml"

SAME_PART = 0.01
"""Pixels that differ by no more are the same: drivers round."""

NEEDED = {
    "wheel": FilterWheel.needed,
    "focuser": Focuser.needed,
    "mount": Mount.needed,
    "guide_port": GuidePort.needed,
    "dust_cap": DustCap.needed,
}
"""Properties that a role's device cannot do without, by section."""

NEAR_DEG = 0.5
"""A site that is told of within so much is the same place: its dusk is within two minutes."""


class Fit(NamedTuple):
    """What was found."""

    problems: list[Problem]
    notes: list[str]


def fit(settings: Settings, offers: Sequence[Offered], now_s: float) -> Fit:
    """What of the configuration the devices cannot do, and where they say otherwise."""
    shown = {one.name: one for one in offers}
    problems = [*_silent(settings, shown), *_lacking(settings, shown)]
    problems += [*_cooler(settings, shown), *_controls(settings, shown)]
    problems += [*_exposures(settings, shown), *_binning(settings, shown)]
    problems += [*_focuser(settings, shown), *_mount(settings, shown)]
    told = [*_uncontrolled(settings, shown), *_pixels(settings, shown), *_names(settings, shown)]
    return Fit(problems, [*told, *_site(settings, offers, now_s)])


Shown = Mapping[str, Offered]


def _silent(settings: Settings, shown: Shown) -> Iterator[Problem]:
    for role in ROLES:
        for number, said in enumerate(role.said(settings.observatory)):
            one = shown.get(said.device)
            if one is not None and not one.answers:
                wrong = "does not answer when it is switched on; look at its power and its cable"
                yield Problem(FILE, f"{role.place(number)}.device", said.device, wrong)


def _lacking(settings: Settings, shown: Shown) -> Iterator[Problem]:
    """Properties without which a role cannot be filled."""
    for role in ROLES:
        for number, said in enumerate(role.said(settings.observatory)):
            one = shown.get(said.device)
            if one is None or not one.answers:
                continue
            lacks = [name for name in _needs(role.section, said) if name not in one.vectors]
            if lacks:
                wrong = f"has no {', '.join(lacks)}, and cannot be {role.words}; name another one"
                yield Problem(FILE, f"{role.place(number)}.device", said.device, wrong)


def _needs(section: str, said: NamesDevice) -> tuple[str, ...]:
    if isinstance(said, Camera | GuideCamera):
        chip = CHIPS[head_of(said)]
        return chip.exposure, f"{chip.prefix}_INFO"
    return NEEDED.get(section, ())


def _camera(settings: Settings, shown: Shown) -> tuple[Camera, Offered | None]:
    said = settings.observatory.camera
    one = shown.get(said.device)
    return said, one if one is not None and one.answers else None


def _cooler(settings: Settings, shown: Shown) -> Iterator[Problem]:
    said, one = _camera(settings, shown)
    if one is None or not said.cooled:
        return
    vector = one.vectors.get(TEMPERATURE)
    if vector is None or not vector.writable:
        wrong = f"must be false: {one.name} has no temperature that could be set"
        yield Problem(FILE, "camera.cooled", True, wrong)
        return
    yield from _beyond(vector, CELSIUS, "camera.target_temperature_c", said.target_temperature_c)


def _controls(settings: Settings, shown: Shown) -> Iterator[Problem]:
    said, one = _camera(settings, shown)
    for name in ("gain", "offset"):
        value: float | None = getattr(said, name)
        if one is None or value is None:
            continue
        found = control(one, name)
        if found is None:
            wrong = f"cannot be set: {one.name} has no {name}; leave it out"
            yield Problem(FILE, f"camera.{name}", value, wrong)
        else:
            yield from _beyond(*found, f"camera.{name}", value)


def control(one: Offered, name: str) -> tuple[Vector, str] | None:
    """Where a camera's gain or offset is, as vector and element."""
    for vector in (one.vectors[known] for known in CONTROLS if known in one.vectors):
        for element in vector.elements:
            if element.casefold() == name and vector.writable:
                return vector, element
    return None


def _beyond(vector: Vector, element: str, key: str, value: float) -> Iterator[Problem]:
    """A value outside the range that a driver states."""
    lowest, highest = vector.limits.get(element, (0.0, 0.0))
    if lowest < highest and not lowest <= value <= highest:
        wrong = f"is beyond what the device takes, from {lowest:g} to {highest:g}"
        yield Problem(FILE, key, value, wrong)


def _exposures(settings: Settings, shown: Shown) -> Iterator[Problem]:
    """Exposures that a camera will refuse."""
    policies, guide = settings.policies, settings.observatory.guide_camera
    subs = {
        ("targets.toml", f'target["{target.name}"].filter.{name}.exposure_s'): sub.exposure_s
        for target in settings.targets.targets
        for name, sub in target.subs.items()
    }
    looks = {
        ("policies.toml", "focus.exposure_s"): policies.focus.exposure_s,
        ("policies.toml", "focus.maximum_exposure_s"): policies.focus.maximum_exposure_s,
        ("policies.toml", "acquire.exposure_s"): policies.acquire.exposure_s,
    }
    guided = {(FILE, "guide_camera.exposure_s"): guide.exposure_s}
    for said, asked in ((settings.observatory.camera, subs | looks), (guide, guided)):
        chip, one = CHIPS[head_of(said)], shown.get(said.device)
        vector = one.vectors.get(chip.exposure) if one else None
        lowest, highest = vector.limits.get(chip.exposure_value, (0, 0)) if vector else (0, 0)
        for (file, key), exposure_s in asked.items():
            if lowest < highest and not lowest <= exposure_s <= highest:
                wrong = f"is beyond what {said.device} exposes, from {lowest:g} to {highest:g} s"
                yield Problem(file, key, exposure_s, wrong)


def _binning(settings: Settings, shown: Shown) -> Iterator[Problem]:
    for section, said in _chips(settings):
        one = shown.get(said.device)
        if one is None or not one.answers or said.binning == 1:
            continue
        vector = one.vectors.get(f"{CHIPS[head_of(said)].prefix}_BINNING")
        if vector is None or not vector.writable:
            wrong = f"must be 1: {one.name} cannot bin"
            yield Problem(FILE, f"{section}.binning", said.binning, wrong)
        else:
            yield from _beyond(vector, "HOR_BIN", f"{section}.binning", said.binning)


def _chips(settings: Settings) -> tuple[tuple[str, Camera | GuideCamera], ...]:
    observatory = settings.observatory
    return ("camera", observatory.camera), ("guide_camera", observatory.guide_camera)


def _focuser(settings: Settings, shown: Shown) -> Iterator[Problem]:
    said = settings.observatory.focuser
    one = shown.get(said.device)
    vector = one.vectors.get(POSITION) if one else None
    lowest, highest = vector.limits.get(STEPS, (0.0, 0.0)) if vector else (0.0, 0.0)
    if not lowest < highest:
        return
    travel = f"{said.device} goes from {lowest:g} to {highest:g} only"
    if said.maximum_steps > highest:
        wrong = f"must be {highest:g} or less: {travel}"
        yield Problem(FILE, "focuser.maximum_steps", said.maximum_steps, wrong)
    if said.minimum_steps < lowest:
        wrong = f"must be {lowest:g} or more: {travel}"
        yield Problem(FILE, "focuser.minimum_steps", said.minimum_steps, wrong)


def _mount(settings: Settings, shown: Shown) -> Iterator[Problem]:
    said = settings.observatory.mount
    one = shown.get(said.device)
    if one is None or not one.answers:
        return
    if PARKING not in one.vectors:
        yield Problem(FILE, "mount.device", said.device, "cannot park: it has no TELESCOPE_PARK")
    setting = one.vectors.get("ON_COORD_SET")
    if said.sync and setting is not None and "SYNC" not in setting:
        wrong = f"must be false: {said.device} cannot be told where it is"
        yield Problem(FILE, "mount.sync", True, wrong)


def _uncontrolled(settings: Settings, shown: Shown) -> Iterator[str]:
    said, one = _camera(settings, shown)
    for name in ("gain", "offset"):
        found = control(one, name) if one else None
        if found is not None and getattr(said, name) is None:
            value = found[0].number(found[1])
            yield (
                f"camera.{name} is not set: whatever the camera has then is taken, now {value:g};"
                " calibration frames may not match."
            )


def _pixels(settings: Settings, shown: Shown) -> Iterator[str]:
    for section, said in _chips(settings):
        one = shown.get(said.device)
        head: Head = "guide" if head_of(said) == "guide" else "main"
        width_um, height_um = pixels_um(one, head) if one else (math.nan, math.nan)
        if not (width_um > 0 and height_um > 0):
            continue
        if not math.isclose(width_um, height_um, rel_tol=SAME_PART):
            yield (
                f"The pixels of {said.device} are {width_um:g} µm wide and {height_um:g} µm high:"
                " square ones are taken for granted, so that angles along one side are off."
            )
        if said.pixel_um and not math.isclose(said.pixel_um, width_um, rel_tol=SAME_PART):
            yield (
                f"{section}.pixel_um is {said.pixel_um:g}, and {said.device} says {width_um:g}:"
                " frames and stars are measured by the former; see which is right."
            )


def _names(settings: Settings, shown: Shown) -> Iterator[str]:
    """Slots whose filters bear another name in the wheel's driver."""
    wheel = settings.observatory.wheel
    one = shown.get(wheel.device)
    if one is None or "FILTER_NAME" not in one.vectors:
        return
    pairs = zip(wheel.slots, slot_names(one), strict=False)
    other = [
        f"{number} holds {ours} here and {theirs} there"
        for number, (ours, theirs) in enumerate(pairs, 1)
        if ours.casefold() != theirs.casefold()
    ]
    if other:
        yield f"{wheel.device} has other names for slots: {'; '.join(other)}. Ours are used."


def _site(settings: Settings, offers: Sequence[Offered], now_s: float) -> Iterator[str]:
    """Drivers that were told another place; 0° and 0° stands for none."""
    site, dark_deg = settings.observatory.site, settings.policies.dark.sun_altitude_deg
    ours = spelled_place(site.latitude_deg, site.longitude_deg)
    for one in offers:
        north_deg, east_deg = (one.number("GEOGRAPHIC_COORD", key) for key in ("LAT", "LONG"))
        known = math.isfinite(north_deg) and math.isfinite(east_deg) and (north_deg or east_deg)
        if not known or not -90 <= north_deg <= 90:
            continue
        off_deg = float(separation_deg(site.longitude_deg, site.latitude_deg, east_deg, north_deg))
        if off_deg > NEAR_DEG:
            there = Place(north_deg, east_deg, site.elevation_m)
            yield (
                f"The site is {ours} by the configuration, where"
                f" {dusk(site.place, dark_deg, now_s, site.time_zone)}; {one.name} was told"
                f" {spelled_place(round(north_deg, 4), round(east_deg, 4))}, where"
                f" {dusk(there, dark_deg, now_s, site.time_zone)}. The mount is told the former"
                " at night."
            )
