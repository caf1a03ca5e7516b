"""What `nightloom weave --target` weaves: a target's cycle with its costs, measured where known."""

from nightloom.cycle import Cycle, GapCosts
from nightloom.errors import BadInput
from nightloom.ledger import FILE_NAME, Key, Ledger, Running, running_figures
from nightloom.schedule.costs import costs_of
from nightloom.settings import Group, Settings, Target, cycle_of
from nightloom.sky import dark_hours, night_of
from nightloom_drivers.clock import WallClock


def group_of(settings: Settings, name: str, group: str | None) -> tuple[Target, Group]:
    """A target and one of its groups of filters, the first if none is named. Raises BadInput."""
    target = _target(settings, name)
    groups = {one.label: one for one in target.groups}
    label = group or next(iter(groups))
    if label not in groups:
        known = ", ".join(groups)
        raise BadInput(f'"{target.name}" has no group "{label}"; it has {known}.')
    return target, groups[label]


def cycle_and_costs(
    settings: Settings, target: Target, group: Group
) -> tuple[Cycle, GapCosts, dict[Key, Running]]:
    """The cycle of a group of filters, the costs, and what was measured of them."""
    measured, dither = _measured(settings), target.dither.over(settings.policies.dither)
    return cycle_of(group.filters, dither), costs_of(settings, measured), measured


def dark_tonight_h(settings: Settings, group: Group) -> float | None:
    """The hours of tonight that are dark enough for a group; None where it never is."""
    site = settings.observatory.site.place
    asked_deg = group.sun_altitude_deg
    sun_deg = settings.policies.dark.sun_altitude_deg if asked_deg is None else asked_deg
    dark = dark_hours(site, night_of(WallClock().unix_s(), site), sun_deg)
    return None if dark is None else dark.duration_s / 3600.0


def _target(settings: Settings, name: str) -> Target:
    try:
        return settings.targets.named(name)
    except KeyError:
        known = ", ".join(target.name for target in settings.targets.targets)
        raise BadInput(f'There is no target "{name}"; there are {known}.') from None


def _measured(settings: Settings) -> dict[Key, Running]:
    """Figures of the ledger in the output folder; none before the first night."""
    file = settings.observatory.output_folder / FILE_NAME
    if not file.is_file():
        return {}
    with Ledger.read(file) as ledger:
        return running_figures(ledger)
