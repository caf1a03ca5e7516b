"""Rules that span two tables or two files: names must agree.

They read the plain tables, so that they still speak when a number elsewhere is wrong.
"""

from collections.abc import Iterator

from nightloom.settings.problems import Problem
from nightloom.settings.targets import LOCAL_TIMES

Tables = dict[str, dict[str, object]]
"""What each file holds, by file name."""


def disagreements(tables: Tables) -> list[Problem]:
    """Every name in one place that another place does not know."""
    return [
        *_filters_without_slot(tables),
        *_slots_without_filter(tables),
        *_targets_without_slot(tables),
        *_targets_of_one_name(tables),
        *_local_times_without_zone(tables),
        *_policies_without_slot(tables),
        *_blind_filters_asked(tables),
        *_offsets_out_of_reach(tables),
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
    names = [one for target in _targets(tables) if isinstance(one := target.get("name"), str)]
    for name in dict.fromkeys(names):
        if names.count(name) > 1:
            yield Problem("targets.toml", "target", name, "must name one target only")


def _local_times_without_zone(tables: Tables) -> Iterator[Problem]:
    if "observatory.toml" not in tables:
        return
    zone = _table(tables["observatory.toml"], "site").get("time_zone")
    for target in _targets(tables):
        for key in LOCAL_TIMES:
            if key in target and zone is None:
                place = f'target["{target.get("name")}"].{key}'
                told = "needs the time zone of the site; write site.time_zone in observatory.toml"
                yield Problem("targets.toml", place, target[key], told)


def _policies_without_slot(tables: Tables) -> Iterator[Problem]:
    slots = _slots(tables)
    for section in ("focus", "acquire"):
        name = _table(tables.get("policies.toml"), section).get("filter")
        if slots and isinstance(name, str) and name not in slots:
            yield _no_slot("policies.toml", f"{section}.filter", name, slots)


def _blind_filters_asked(tables: Tables) -> Iterator[Problem]:
    """Through a blind filter nothing is seen: no stars, and no target."""
    filters = _table(tables.get("observatory.toml"), "filter")
    blind = {name for name in filters if _table(filters, name).get("blind") is True}
    wrong = "lets no light through (blind = true in observatory.toml); ask for another filter"
    for target in _targets(tables):
        for place, table in _filter_tables(target):
            for name in table:
                if name in blind:
                    yield Problem("targets.toml", f"{place}.{name}", name, wrong)
    for section in ("focus", "acquire"):
        asked = _table(tables.get("policies.toml"), section).get("filter")
        if isinstance(asked, str) and asked in blind:
            yield Problem("policies.toml", f"{section}.filter", asked, wrong)


def _offsets_out_of_reach(tables: Tables) -> Iterator[Problem]:
    """Each filter's focus lies where the focuser can go, as far as the numbers tell."""
    observatory = tables.get("observatory.toml")
    focuser = _table(observatory, "focuser")
    lowest, highest = focuser.get("minimum_steps", 0), focuser.get("maximum_steps", 100000)
    start, filters = focuser.get("start_steps"), _table(observatory, "filter")
    if not (isinstance(lowest, int) and isinstance(highest, int) and lowest < highest):
        return
    for name in filters:
        steps = _table(filters, name).get("offset_steps")
        if not isinstance(steps, int):
            continue
        key, travel = f"filter.{name}.offset_steps", f"{lowest} to {highest} steps"
        if abs(steps) > highest - lowest:
            wrong = f"is farther than the focuser may travel, from {travel} (focuser.minimum_steps,"
            yield Problem("observatory.toml", key, steps, f"{wrong} maximum_steps)")
        elif isinstance(start, int) and not lowest <= start + steps <= highest:
            wrong = f"leads from focuser.start_steps to {start + steps}, beyond its travel from"
            yield Problem("observatory.toml", key, steps, f"{wrong} {travel}")


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
