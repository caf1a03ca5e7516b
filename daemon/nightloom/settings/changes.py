"""What of a configuration that was read again is taken over by a daemon that runs. Pure.

What is held for a daemon's whole life is left, and so is what was looked at when it started: which
devices there are. All else is taken, each table as a whole.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from pydantic import BaseModel

from nightloom.settings.observatory import Observatory
from nightloom.settings.policies import Policies
from nightloom.settings.reader import Settings
from nightloom.settings.targets import Targets

HELD = {
    Observatory: ("name", "output_folder", "site", "server", "mount", "weather", "roof", "solver"),
    Policies: ("notices", "remote"),
}
"""Fields that a daemon holds until it ends."""


@dataclass(frozen=True)
class Taken:
    """The settings that hold from now on, and which keys were taken and left."""

    settings: Settings
    taken: tuple[str, ...]
    left: tuple[str, ...]


def take_over(running: Settings, read: Settings) -> Taken:
    """What runs, with what of the newly read settings may be taken."""
    observatory = read.observatory.model_copy(update=_kept(running.observatory, read.observatory))
    policies = read.policies.model_copy(update=_kept(running.policies, read.policies))
    slots = set(observatory.wheel.slots)
    if not _filters_of(policies) <= slots:
        policies = running.policies
    targets = read.targets if _filters_of(read.targets) <= slots else running.targets
    new = replace(running, observatory=observatory, policies=policies, targets=targets)
    return Taken(new, tuple(differences(running, new)), tuple(differences(new, read)))


def _kept(running: BaseModel, read: BaseModel) -> dict[str, object]:
    """The fields that stay as they are: those that are held, and those with another device. The
    filters go with their wheel.
    """
    held = set(HELD[type(running)])
    for name in type(running).model_fields:
        before, after = getattr(running, name), getattr(read, name)
        if getattr(before, "device", None) != getattr(after, "device", None):
            held.add(name)
    if "wheel" in held:
        held.add("filters")
    return {name: getattr(running, name) for name in held}


def _filters_of(said: Policies | Targets) -> set[str]:
    """The filters that are asked for."""
    if isinstance(said, Targets):
        return {name for target in said.targets for name in target.subs}
    return {name for name in (said.focus.filter, said.acquire.filter) if name is not None}


def differences(one: Settings, other: Settings) -> Iterator[str]:
    """The keys that differ, with their files; of a target only its name."""
    files = {
        "observatory.toml": (one.observatory, other.observatory),
        "policies.toml": (one.policies, other.policies),
    }
    for file, models in files.items():
        yield from (f"{file}: {key}" for key in _unlike(*map(_said, models)))
    before, after = ({each.name: each for each in s.targets.targets} for s in (one, other))
    yield from (f'targets.toml: target "{name}"' for name in _unlike(before, after))


def _said(model: BaseModel) -> dict[str, object]:
    """A model as nested tables, by the keys of its file."""
    tables = {}
    for name, field in type(model).model_fields.items():
        value = getattr(model, name)
        key = str(field.validation_alias or name)
        tables[key] = _said(value) if isinstance(value, BaseModel) else value
    return tables


def _unlike(one: Mapping[str, object], other: Mapping[str, object]) -> Iterator[str]:
    """Dotted keys under which two tables differ."""
    for key in {**one, **other}:
        before, after = one.get(key), other.get(key)
        if isinstance(before, Mapping) and isinstance(after, Mapping):
            yield from (f"{key}.{inner}" for inner in _unlike(before, after))
        elif before != after:
            yield key
