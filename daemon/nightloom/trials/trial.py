"""What one seed draws: an observatory, a night, targets, and everything that goes wrong.

The same seed draws the same trial for ever only as long as nothing here is changed: a seed is
replayed by the version that played it.
"""

import json
import tomllib
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import cast

import numpy as np

from nightloom.likeness import likeness
from nightloom.rehearsal import TROUBLES, Rehearsal, Trouble
from nightloom.rehearsal.troubles import Coming
from nightloom.rig import simulated_settings
from nightloom.schedule.windows import darkness
from nightloom.settings import Observatory, Policies, Settings, Targets, demo_folder
from nightloom.sky import Interval, Site, altitude_azimuth
from nightloom.sky.night import dark_hours
from nightloom.trials import observatories as by_chance
from nightloom.trials.asking import Asking, asked
from nightloom.trials.observatories import Table
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.sent import Sent

FIRST_DAY, DAYS = date(2026, 1, 1), 2 * 365
HOURS = (0.3, 3.0)
"""Dark hours of a trial, evenly in their logarithm; half of all begin in mid-night and see dawn."""

LEAST_DARK_H = 0.5
AFTER_S = 1200.0
"""Trouble may still come so long after the dark."""

ALTITUDE_DEG = 40.0
SUBS_S = (20.0, 45.0, 90.0, 180.0, 300.0)
"""Lengths of subs; none is that of a frame for focus or solving, so that each is known for one."""

CYCLES = (("L", "R", "G", "B"), ("R", "G", "B"), ("Ha", "OIII", "SII"), ("Ha", "OIII"), ("L",))
GUIDE_S = (3.0, 4.0, 6.0, 8.0)
TROUBLES_WEIGHTS = (0.15, 0.3, 0.25, 0.15, 0.1, 0.05)
"""How often a night has no trouble, one, two ..."""


@dataclass(frozen=True)
class Trial:
    """A night of one seed; `rehearsal_in` a folder has it played there."""

    seed: int
    settings: Settings
    rig: RigSettings
    night: date
    late_s: float
    hours: float | None
    lived_h: float
    """The dark hours that are lived through."""
    comings: tuple[Coming, ...]
    asking: tuple[Asking, ...]
    sent: Sent

    def rehearsal_in(self, out: Path) -> Rehearsal:
        """The night, to be played in a folder that is there."""
        return Rehearsal(
            self.settings,
            self.rig,
            self.night,
            out,
            self.seed,
            self.hours,
            comings=self.comings,
            late_s=self.late_s,
            sent=self.sent,
        )

    def rehearsal_dark(self) -> Interval:
        """The dark hours that are lived through."""
        dark = darkness(self.settings, self.night, self.hours)
        return Interval(dark.end_unix_s - 3600.0 * self.lived_h, dark.end_unix_s)

    @property
    def kinds(self) -> list[str]:
        """The kinds of trouble, each once, in order."""
        weather = self.rig.weather
        skies = {"clouds": weather.clouds, "showers": weather.rain, "gusts": weather.gusts}
        return sorted(
            {
                *(coming.trouble.name for coming in self.comings),
                *(one.kind for one in self.asking),
                *(name for name, passages in skies.items() if passages),
            }
        )


def trial_of(seed: int, sent: Sent = Sent.STARS) -> Trial:
    """What a seed draws."""
    chance = np.random.default_rng([seed, list(Sent).index(sent)])
    site_table = by_chance.place(chance)
    site = _site(site_table)
    night, dark = _night(chance, site)
    span, late_s, hours = _span(chance, dark)
    after_dusk_h = tuple(
        (t - dark.start_unix_s) / 3600.0 for t in (span.start_unix_s, span.end_unix_s)
    )
    settings, rig = _observatory(chance, site_table, sent, cast(tuple[float, float], after_dusk_h))
    targets = _targets(chance, site, span)
    policies = _policies(chance)
    settings = replace(settings, targets=targets, policies=policies)
    simulated, _ = simulated_settings(replace(settings, rig=rig))
    end_s = span.end_unix_s + AFTER_S
    ready_s = dark.start_unix_s + late_s - _ready_before_s(policies)
    whole = Interval(ready_s, end_s)
    comings = troubles_of(chance, whole)
    asking = asked(chance, whole, [target.name for target in targets.targets])
    lived_h = span.duration_s / 3600.0
    return Trial(seed, simulated, rig, night, late_s, hours, lived_h, comings, asking, sent)


def _site(table: Table) -> Site:
    latitude, longitude = float(cast(float, table["latitude_deg"])), table["longitude_deg"]
    return Site(latitude, float(cast(float, longitude)), float(cast(float, table["elevation_m"])))


def _night(chance: np.random.Generator, site: Site) -> tuple[date, Interval]:
    """A night that gets dark for a while."""
    while True:
        night = FIRST_DAY + timedelta(days=int(chance.integers(DAYS)))
        dark = dark_hours(site, night)
        if dark is not None and dark.duration_s > LEAST_DARK_H * 3600.0:
            return night, dark


def _span(chance: np.random.Generator, dark: Interval) -> tuple[Interval, float, float | None]:
    """The part of the dark that is lived through; how late it begins; the hours, unless to dawn."""
    hours = float(np.exp(chance.uniform(*np.log(HOURS))))
    lasts_s = min(3600.0 * hours, dark.duration_s)
    if chance.random() < 0.5:
        return Interval(dark.start_unix_s, dark.start_unix_s + lasts_s), 0.0, hours
    late_s = dark.duration_s - lasts_s
    return Interval(dark.end_unix_s - lasts_s, dark.end_unix_s), late_s, None


def _ready_before_s(policies: Policies) -> float:
    return policies.acquire.open_before_s + policies.acquire.cool_before_s


def _observatory(
    chance: np.random.Generator, site: Table, sent: Sent, after_dusk_h: tuple[float, float]
) -> tuple[Settings, RigSettings]:
    """What the owner says, and what is true."""
    optics, sensor, said_optics = by_chance.telescope(chance, sent is Sent.PIXELS)
    ratio = _number(optics, "focal_length_mm") / _number(optics, "aperture_mm")
    said_focuser, focuser, focus = by_chance.focuser(chance, ratio)
    zone_steps = 2.2 * ratio**2 / _number(focuser, "step_um")
    said_filters, filters = by_chance.wheel(chance, zone_steps)
    air, weather = by_chance.sky(chance, after_dusk_h)
    table = tomllib.loads((demo_folder() / "observatory.toml").read_text("utf-8"))
    table["site"] = site
    table["optics"] = said_optics
    table["filter"] = said_filters
    table["focuser"] |= said_focuser
    size = {name: sensor[name] for name in ("width_px", "height_px", "pixel_um")}
    table["camera"] |= size | {"mirrored": optics["mirrored"], "download_deadline_s": 40.0}
    table["guide_camera"] |= {"exposure_s": float(chance.choice(GUIDE_S))}
    table["costs"] |= {"download_s": sensor["download_s"]}
    observatory = Observatory.model_validate_json(json.dumps(table), strict=True)
    rig = likeness(observatory).rig
    told = rig.model_dump()
    told["sensor"] |= sensor
    told["optics"] |= optics
    told["focuser"] |= focuser
    told["focus"] |= focus
    told["wheel"] |= {"filters": filters, "travel_s_per_slot": float(chance.uniform(0.3, 1.5))}
    told["mount"] |= by_chance.mount(chance)
    told["atmosphere"] |= air
    told["weather"] |= weather
    told["star_limit_mag"] = by_chance.star_limit_mag(rig)
    told["enclosure"]["roof_travel_s"] = float(chance.uniform(10.0, 50.0))
    settings = Settings(observatory, Targets.model_construct(targets=()), Policies(), None)
    return settings, RigSettings.model_validate(told)


def _number(table: Table, name: str) -> float:
    return float(cast(float, table[name]))


def _targets(chance: np.random.Generator, site: Site, span: Interval) -> Targets:
    """One to three targets, each high up at some time of the span."""
    tables = []
    for number in range(int(chance.choice([1, 1, 2, 3]))):
        ra_deg, dec_deg = _high(chance, site, float(chance.uniform(*_ends(span))))
        names = CYCLES[int(chance.integers(len(CYCLES)))]
        exposure_s = float(chance.choice(SUBS_S[:4] if len(names) > 3 else SUBS_S))
        shared = chance.random() < 0.3
        filters = {
            name: {
                "share": int(chance.integers(1, 4)) if shared else 1,
                "exposure_s": exposure_s,
            }
            for name in names
        }
        tables.append(
            {
                "name": f"Field {number + 1}",
                "ra_deg": round(ra_deg, 4),
                "dec_deg": round(dec_deg, 4),
                "priority": int(chance.integers(1, 3)),
                "altitude_floor_deg": 25.0,
                "filter": filters,
            }
        )
    return Targets.model_validate_json(json.dumps({"target": tables}), strict=True)


def _ends(span: Interval) -> tuple[float, float]:
    return span.start_unix_s, span.end_unix_s


def _high(chance: np.random.Generator, site: Site, at_s: float) -> tuple[float, float]:
    """A place on the sky that is high then."""
    while True:
        ra_deg = float(chance.uniform(0.0, 360.0))
        dec_deg = float(np.degrees(np.arcsin(chance.uniform(-1.0, 1.0))))
        altitude, _ = altitude_azimuth(site, ra_deg, dec_deg, at_s)
        if float(altitude) > ALTITUDE_DEG and abs(dec_deg) < 85.0:
            return ra_deg, dec_deg


def _policies(chance: np.random.Generator) -> Policies:
    table = tomllib.loads((demo_folder() / "policies.toml").read_text("utf-8"))
    table["focus"]["filter"] = "L" if chance.random() < 0.7 else None
    table["acquire"]["filter"] = "L"
    table["acquire"]["cool_before_s"] = float(chance.choice([300.0, 900.0, 1500.0]))
    table["guiding"] = {"unguided_s": 60.0 if chance.random() < 0.5 else None}
    return Policies.model_validate_json(json.dumps(table), strict=True)


def troubles_of(chance: np.random.Generator, span: Interval) -> tuple[Coming, ...]:
    """Troubles at moments anywhere in the span; the same one may come twice."""
    number = int(chance.choice(len(TROUBLES_WEIGHTS), p=TROUBLES_WEIGHTS))
    return tuple(_coming(chance, span) for _ in range(number))


def _coming(chance: np.random.Generator, span: Interval) -> Coming:
    trouble: Trouble = TROUBLES[int(chance.integers(len(TROUBLES)))]
    at_s = span.start_unix_s if trouble.at_dusk else float(chance.uniform(*_ends(span)))
    return Coming(trouble, at_s)
