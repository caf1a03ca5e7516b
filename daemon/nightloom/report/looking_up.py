"""Looks a night up in its log, its ledger and the sky, for the report."""

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import UTC, date, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from nightloom.errors import BadInput
from nightloom.focusing import Offsets
from nightloom.focusing.learned import learned_offsets, zone_steps
from nightloom.ledger import FILE_NAME, Check, Curve, Ledger, Verdict
from nightloom.report.reading import Story, events_in, story_of, subs_of
from nightloom.report.records import (
    AltitudePath,
    Exposure,
    FilterFacts,
    FilterRow,
    FocusLine,
    Look,
    Night,
)
from nightloom.report.shelves import shelves_of
from nightloom.schedule.costs import bound_fraction
from nightloom.schedule.windows import NightWindows, NoDarkness
from nightloom.settings import Settings, Target, cycle_of
from nightloom.settings.observatory import Observatory
from nightloom.sky import Interval, NightTable

STEP_S = 300.0
"""Between two points of a path across the sky."""

ARCSEC_A_RADIAN = 206264.806


class NoRecords(BadInput):
    """There is nothing that a report could be made of."""


@dataclass(frozen=True)
class Sources:
    """Where the records of a night are; there need be no frames."""

    settings: Settings
    night: date
    log: Path
    ledger: Path
    frames: Path

    @classmethod
    def under(cls, settings: Settings, night: date, log: Path) -> "Sources":
        """Those of the configured output folder."""
        folder = settings.observatory.output_folder
        return cls(settings, night, log, folder / FILE_NAME, folder / "frames")


# What the records tell ----------------------------------------------------------------------------


def night_of(sources: Sources) -> tuple[Night, tzinfo]:
    """All that is known of a night, and its site's zone. Raises NoRecords, OSError, LedgerError."""
    settings = sources.settings
    story, zone = _story(sources)
    assert story.dark is not None
    with ExitStack() as stack:
        ledger = None
        if sources.ledger.is_file():
            ledger = stack.enter_context(Ledger.read(sources.ledger))
        frames = ledger.frames(night=str(sources.night)) if ledger else []
        subs = subs_of(story, {frame.uid: frame for frame in frames})
        learned = learned_offsets(ledger, settings.observatory) if ledger else None
        rows = _rows(ledger, settings.targets.targets, subs, str(sources.night))
        looks = _looks(story, ledger, str(sources.night))
        shelves = shelves_of(ledger, settings, str(sources.night), story.dark) if ledger else ()
    table = _table(settings, sources.night)
    return Night(
        night=str(sources.night),
        observatory=story.observatory,
        zone=story.time_zone,
        dark=story.dark,
        stays=tuple(story.stays),
        done=tuple(story.done),
        faults=tuple(story.faults),
        silent=tuple(story.silent),
        subs=tuple(_with_airmass(subs, table)),
        told=tuple(story.told),
        looks=tuple(looks),
        sky=tuple(story.sky),
        crossings=tuple(story.crossings),
        targets=rows,
        filters=_filters(settings, learned, [*subs, *looks]),
        focus_line=_line(learned),
        backlash=story.backlash,
        paths=_paths(table, story.dark, rows),
        moon_lit=_moon_lit(table, story.dark),
        least_gap_s=_least_gap_s(settings, subs),
        arcsec_per_px=_scale(settings),
        library=shelves,
        ended=story.ended,
    ), zone


def _story(sources: Sources) -> tuple[Story, tzinfo]:
    """The log's story, in the site's zone. Raises NoRecords."""
    if not sources.log.is_file():
        raise NoRecords(f"There is no log {sources.log} of the night of {sources.night}.")
    events = list(events_in(sources.log))
    named = next((name for _, e in events if (name := getattr(e, "time_zone", ""))), "")
    try:
        zone: tzinfo = ZoneInfo(named) if named else UTC
    except (ZoneInfoNotFoundError, ValueError):
        zone = UTC
    story = story_of(events, zone)
    if story.dark is None:
        raise NoRecords(f"The log {sources.log} tells of no night.")
    if zone is UTC:
        story.time_zone = ""
    return story, zone


def _rows(
    ledger: Ledger | None, targets: Sequence[Target], subs: Sequence[Exposure], night: str
) -> dict[str, tuple[FilterRow, ...]]:
    """Each target that is asked for or has subs tonight; those that are asked for first."""
    asked = {target.name: target for target in targets}
    names = [name for name in asked if any(sub.target == name for sub in subs)]
    names += sorted({sub.target for sub in subs} - asked.keys())
    names += [name for name in asked if name not in names]
    return {name: _target_rows(ledger, name, asked.get(name), subs, night) for name in names}


def _target_rows(
    ledger: Ledger | None, name: str, target: Target | None, subs: Sequence[Exposure], night: str
) -> tuple[FilterRow, ...]:
    cycles = [cycle_of(group.filters) for group in target.groups] if target else []
    cycle_s = {share.filter: share.cycle_s for one in cycles for share in one.shares}
    whole_s = sum(cycle_s.values())
    asked = target.subs if target else {}
    tonight = ledger.accepted_s(name, night=night) if ledger else {}
    everything = ledger.accepted_s(name) if ledger else {}
    kept = ledger.subs(name, night=night) if ledger else {}
    lost = ledger.subs(name, Verdict.REJECTED, night=night) if ledger else {}
    names = [*asked, *sorted((everything.keys() | lost.keys()) - asked.keys())]
    return tuple(
        FilterRow(
            filter=one,
            tonight_s=tonight.get(one, 0.0),
            all_s=everything.get(one, 0.0),
            wanted_s=3600.0 * hours
            if one in asked and (hours := asked[one].wanted_hours)
            else None,
            share=cycle_s[one] / whole_s if one in cycle_s else 0.0,
            cycle_s=cycle_s.get(one, 0.0),
            kept=kept.get(one, 0),
            rejected=lost.get(one, 0),
            worth_s=_worth_s([sub for sub in subs if (sub.target, sub.filter) == (name, one)]),
        )
        for one in names
    )


def _worth_s(subs: Sequence[Exposure]) -> float | None:
    known = [sub.worth_s for sub in subs if sub.kept and sub.worth_s is not None]
    return sum(known) if known else None


def _looks(story: Story, ledger: Ledger | None, night: str) -> list[Look]:
    """The ledger's looks, which know vertex and temperature; the log's where there is none."""
    if ledger is None:
        return story.looks
    found: list[Curve | Check] = [*ledger.curves(night=night), *ledger.checks(night=night)]
    return [_look(one) for one in sorted(found, key=lambda one: one.taken_utc)]


def _look(one: Curve | Check) -> Look:
    if isinstance(one, Curve):
        kind, used, what = "curve", one.accepted, "used" if one.accepted else one.refusal
    else:
        kind, used, what = "check", one.outcome != "unclear", one.outcome
    return Look(
        at_s=one.taken_utc.timestamp(),
        kind=kind,
        filter=one.filter,
        found=f"{what} ({one.reason})" if one.reason else what,
        vertex_steps=one.vertex_steps,
        error_steps=one.error_steps,
        temperature_c=one.temperature_c,
        used=used,
    )


def _filters(
    settings: Settings, learned: Offsets | None, used: Sequence[Exposure | Look]
) -> dict[str, FilterFacts]:
    """Every filter that a target asks for, and others that were used, targets' first."""
    names = [name for target in settings.targets.targets for name in target.subs]
    every = dict.fromkeys([*names, *(one.filter for one in used)])
    return {name: filter_facts(settings.observatory, learned, name) for name in every}


def filter_facts(observatory: Observatory, learned: Offsets | None, name: str) -> FilterFacts:
    """What is known of a filter; of one that is no longer configured, its name."""
    said = observatory.filters.get(name)
    if said is None:
        return FilterFacts(name)
    facts = FilterFacts(
        name, said.wavelength_nm, said.bandwidth_nm, said.offset_steps,
        zone_steps=zone_steps(observatory, name),
    )  # fmt: skip
    one = learned.offsets.get(name) if learned else None
    if learned is None or one is None:
        return facts
    return replace(
        facts,
        learned_steps=observatory.filters[learned.reference].offset_steps + one.steps,
        error_steps=one.error_steps,
        trust=one.trust.value,
    )


def _line(learned: Offsets | None) -> FocusLine | None:
    if learned is None:
        return None
    slope, error = learned.slope_steps_per_c, learned.slope_error_steps_per_c
    return FocusLine(learned.reference, slope, error, learned.slope_known)


# What the sky tells -------------------------------------------------------------------------------


def _table(settings: Settings, night: date) -> NightTable | None:
    try:
        return NightWindows(settings, night).table
    except NoDarkness:
        return None


def _with_airmass(subs: Sequence[Exposure], table: NightTable | None) -> list[Exposure]:
    return [replace(sub, airmass=_airmass(sub, table)) for sub in subs]


def _airmass(sub: Exposure, table: NightTable | None) -> float | None:
    """At the middle of a sub; None of a target that is no longer asked for."""
    if table is None:
        return None
    try:
        return round(float(table.airmass(sub.target, sub.middle_s)), 4)
    except (KeyError, ValueError):
        return None


def _paths(
    table: NightTable | None, dark: Interval, targets: Mapping[str, object]
) -> tuple[AltitudePath, ...]:
    if table is None:
        return ()
    moments = dark.grid(STEP_S)
    found = []
    try:
        for name in targets:
            heights = table.altitude_azimuth(name, moments)[0]
            found.append(AltitudePath(name, tuple(moments), tuple(heights)))
        moon = table.moon_altitude(moments)
        if moon.max() > 0.0:
            found.append(AltitudePath("Moon", tuple(moments), tuple(moon)))
    except (KeyError, ValueError):
        pass  # a target that is no longer asked for, or a log of another night's dark
    return tuple(found)


def _moon_lit(table: NightTable | None, dark: Interval) -> float | None:
    middle_s = (dark.start_unix_s + dark.end_unix_s) / 2.0
    try:
        return None if table is None else float(table.moon_illumination(middle_s))
    except ValueError:
        return None


def _least_gap_s(settings: Settings, subs: Sequence[Exposure]) -> float | None:
    """The least gaps of tonight's subs, by the configured times."""
    bounds = {one.name: bound_fraction(settings, one) for one in settings.targets.targets}
    if any(sub.target not in bounds for sub in subs):
        return None
    return sum(sub.exposure_s * (1.0 / bounds[sub.target] - 1.0) for sub in subs)


def _scale(settings: Settings) -> float | None:
    """Seconds of arc that one pixel of a frame covers."""
    camera, optics = settings.observatory.camera, settings.observatory.optics
    if camera.pixel_um is None:
        return None
    pixel_mm = camera.pixel_um * camera.binning / 1000.0
    return ARCSEC_A_RADIAN * pixel_mm / optics.focal_length_mm
