"""Rules that span two tables or two files: names must agree.

They read the plain tables, so that they still speak when a number elsewhere is wrong.
"""

from collections.abc import Iterator

from nightloom.settings.problems import Problem

Tables = dict[str, dict[str, object]]
"""What each file holds, by file name."""


def disagreements(tables: Tables) -> list[Problem]:
    """Every name in one place that another place does not know."""
    return [
        *_filters_without_slot(tables),
        *_slots_without_filter(tables),
        *_targets_without_slot(tables),
        *_targets_of_one_name(tables),
        *_policies_without_slot(tables),
        *_roof_without_station(tables),
        *_flats_without_panel(tables),
    ]


def _slots(tables: Tables) -> list[str]:
    wheel = _table(tables.get("observatory.toml"), "wheel")
    slots = wheel.get("slots")
    if not isinstance(slots, list):
        return []
    return list(dict.fromkeys(name for name in slots if isinstance(name, str)))


def _no_slot(file: str, key: str, name: str, slots: list[str]) -> Problem:
    return Problem(
        file, key, name, f"is held by no slot of the wheel; its slots hold {', '.join(slots)}"
    )


def _filters_without_slot(tables: Tables) -> Iterator[Problem]:
    slots = _slots(tables)
    for name in _table(tables.get("observatory.toml"), "filter"):
        if slots and name not in slots:
            yield _no_slot("observatory.toml", f"filter.{name}", name, slots)


def _slots_without_filter(tables: Tables) -> Iterator[Problem]:
    filters = _table(tables.get("observatory.toml"), "filter")
    for name in _slots(tables):
        if filters and name not in filters:
            yield Problem(
                "observatory.toml", "wheel.slots", name, f"has no table; add [filter.{name}]"
            )


def _targets_without_slot(tables: Tables) -> Iterator[Problem]:
    slots = _slots(tables)
    for target in _targets(tables):
        for place, table in _filter_tables(target):
            for name in table:
                if slots and name not in slots:
                    yield _no_slot("targets.toml", f"{place}.{name}", name, slots)


def _targets_of_one_name(tables: Tables) -> Iterator[Problem]:
    names = [target.get("name") for target in _targets(tables)]
    for name in dict.fromkeys(names):
        if isinstance(name, str) and names.count(name) > 1:
            yield Problem("targets.toml", "target", name, "must name one target only")


def _policies_without_slot(tables: Tables) -> Iterator[Problem]:
    slots = _slots(tables)
    for section in ("focus", "acquire"):
        name = _table(tables.get("policies.toml"), section).get("filter")
        if slots and isinstance(name, str) and name not in slots:
            yield _no_slot("policies.toml", f"{section}.filter", name, slots)


def _roof_without_station(tables: Tables) -> Iterator[Problem]:
    """A roof that opens must know when to close."""
    observatory = tables.get("observatory.toml", {})
    roof = _table(observatory, "roof")
    if "roof" in observatory and not observatory.get("weather") and not roof.get("unwatched"):
        yield Problem(
            "observatory.toml",
            "roof",
            roof.get("device", ""),
            "would open with no [weather] station to close it in the rain; add one, or say"
            " unwatched = true where somebody watches the sky all night",
        )


def _flats_without_panel(tables: Tables) -> Iterator[Problem]:
    """A night that is to take flats of a panel has one."""
    said = _table(tables.get("policies.toml"), "calibration")
    takes = said.get("night_takes")
    wanted = isinstance(takes, list) and "flat" in takes and said.get("flats_of") != "sky"
    if wanted and "light_panel" not in tables.get("observatory.toml", {}):
        yield Problem(
            "policies.toml",
            "calibration.night_takes",
            "flat",
            'needs a [light_panel] in observatory.toml, or flats_of = "sky"',
        )


def _targets(tables: Tables) -> list[dict[str, object]]:
    targets = tables.get("targets.toml", {}).get("target")
    return [one for one in targets if isinstance(one, dict)] if isinstance(targets, list) else []


def _filter_tables(target: dict[str, object]) -> Iterator[tuple[str, dict[str, object]]]:
    """Each table of filters in a target with its place: its own, or those of its groups."""
    place = f'target["{target.get("name")}"]'
    yield f"{place}.filter", _table(target, "filter")
    groups = target.get("group")
    for number, group in enumerate(groups if isinstance(groups, list) else [], 1):
        if isinstance(group, dict):
            named = f'"{group["name"]}"' if isinstance(group.get("name"), str) else number
            yield f"{place}.group[{named}].filter", _table(group, "filter")


def _table(table: dict[str, object] | None, key: str) -> dict[str, object]:
    inner = (table or {}).get(key)
    return inner if isinstance(inner, dict) else {}
