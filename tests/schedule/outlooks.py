"""Nights at the demo observatory with other targets, another horizon, other Moons."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from nightloom.settings import Settings, Target, demo_folder, read_settings
from nightloom.settings.observatory import Mount
from nightloom.sky import Site, altitude_azimuth

LARKFOLD = Site(47.1, 9.6, 820.0)
LUM = {"L": {"exposure_s": 120.0}}
ANDROMEDA = {"ra_deg": 10.6847, "dec_deg": 41.2688}
LION = {"ra_deg": 143.042, "dec_deg": 21.501}


def target(name: str, place: dict[str, float], **said: Any) -> Target:
    """A target with one filter, unless `filter` or `group` says otherwise."""
    filters = {} if "group" in said else {"filter": LUM}
    return Target.model_validate({"name": name, **place, **filters, **said})


def settings_of(*targets: Target, horizon: tuple[tuple[float, float], ...] = ()) -> Settings:
    """The demo observatory with these targets under that horizon."""
    settings = read_settings(demo_folder())
    site = settings.observatory.site.model_copy(update={"horizon": horizon})
    return replace(
        settings,
        observatory=settings.observatory.model_copy(update={"site": site}),
        targets=settings.targets.model_copy(update={"targets": targets}),
    )


def utc(day: int, hour: int, minute: int = 0) -> float:
    """A moment of November 2026."""
    return datetime(2026, 11, day, hour, minute, tzinfo=UTC).timestamp()


def tree_and_setting() -> Settings:
    """On the night of the 10th, one target leaves a tree at 01:00, one its floor at 02:00 UTC."""
    floor_deg, _ = altitude_azimuth(LARKFOLD, ANDROMEDA["ra_deg"], ANDROMEDA["dec_deg"], utc(11, 2))
    _, edge_deg = altitude_azimuth(LARKFOLD, LION["ra_deg"], LION["dec_deg"], utc(11, 1))
    edge = float(edge_deg)
    tree = ((edge - 45, 8.0), (edge - 44, 62.0), (edge - 0.1, 62.0), (edge + 0.1, 8.0))
    return settings_of(
        target("Lion", LION, altitude_floor_deg=20.0),
        target("Andromeda", ANDROMEDA, altitude_floor_deg=float(floor_deg)),
        horizon=((0.0, 8.0), *tree, (359.0, 8.0)),
    )


def with_mount(settings: Settings, **table: Any) -> Settings:
    """The same with another mount."""
    told = {**settings.observatory.mount.model_dump(), **table}
    mount = Mount.model_validate(told)
    return replace(settings, observatory=settings.observatory.model_copy(update={"mount": mount}))
