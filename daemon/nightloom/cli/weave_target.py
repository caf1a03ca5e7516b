"""What `nightloom weave --target` weaves: a target's cycle with its costs, measured where known."""

from nightloom.cycle import Cycle, GapCosts
from nightloom.errors import BadInput
from nightloom.ledger import FILE_NAME, Key, Ledger, Running, running_figures
from nightloom.schedule.costs import costs_of
from nightloom.settings import Settings, Target, cycle_of


def cycle_and_costs(
    settings: Settings, name: str, group: str | None
) -> tuple[Cycle, GapCosts, dict[Key, Running]]:
    """The cycle of a target's group, the costs, and what was measured of them. Raises BadInput."""
    target = _target(settings, name)
    groups = {one.label: one.filters for one in target.groups}
    label = group or next(iter(groups))
    if label not in groups:
        known = ", ".join(groups)
        raise BadInput(f'"{target.name}" has no group "{label}"; it has {known}.')
    measured, dither = _measured(settings), target.dither.over(settings.policies.dither)
    return cycle_of(groups[label], dither), costs_of(settings, measured), measured


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
