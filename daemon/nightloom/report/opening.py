"""What a person would say of the night first: a sentence or two, made from its data."""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, tzinfo

from nightloom.report.minutes import SKY_USES, Minutes, Use
from nightloom.report.records import Fate, FilterRow, Night
from nightloom.sky import Interval, joined

LONG_S = 600.0
"""Cloud, shelter and trouble of less are not worth a word here."""

TOGETHER_S = 900.0
"""Two stretches of cloud that lie nearer than this are one to who looks up."""

ZONES_OFF = 0.25
"""Part of the critical focus zone by which a learned offset differs before it is told."""

TOLD_MAX = 6

_SKY_WORDS = {Use.HOLDING: "cloud", Use.SHELTER: "shelter from the weather"}


def opening(night: Night, spent: Minutes, zone: tzinfo = UTC) -> list[str]:
    """Clauses in the order of what matters most in the morning; the first says what was kept."""
    clauses = [
        *_unsafe(night, zone),
        _kept(night, spent),
        *_sky(spent, zone),
        *_trouble(spent),
        *_even(night),
        *_rejected(night),
        *_focus(night),
    ]
    return clauses[:TOLD_MAX]


def sentences(clauses: Sequence[str]) -> str:
    """The clauses as a sentence or two."""
    text = "; ".join(clauses)
    return f"{text[:1].upper()}{text[1:]}."


def hours(seconds: float) -> str:
    """As people say it: 5.2 h, 40 min."""
    return f"{seconds / 3600:.1f} h" if seconds >= 5400 else f"{seconds / 60:.0f} min"


def clock(unix_s: float, zone: tzinfo) -> str:
    """The time of day."""
    return f"{datetime.fromtimestamp(unix_s, zone):%H:%M}"


def clear_s(spent: Minutes) -> float:
    """The dark that neither cloud nor weather took."""
    return sum(one.duration_s for use, one in spent.stretches if use not in SKY_USES)


def _unsafe(night: Night, zone: tzinfo) -> Iterator[str]:
    calls = [one for one in night.told if one.event == "person_needed"]
    if calls:
        yield f"somebody was called to the rig at {clock(calls[-1].at_s, zone)}"
    if not night.ended:
        yield "the log does not say that the rig was parked and closed: look at it"


def _kept(night: Night, spent: Minutes) -> str:
    kept_s = sum(sub.exposure_s for sub in night.subs if sub.kept)
    clear = clear_s(spent)
    if clear < 60.0:
        return f"nothing was clear of {hours(night.dark.duration_s)} of dark"
    if not kept_s:
        return f"nothing was kept of {hours(clear)} of clear dark"
    return f"{hours(kept_s)} kept of {hours(clear)} clear"


def _sky(spent: Minutes, zone: tzinfo) -> Iterator[str]:
    """Each long stretch that cloud or weather took; of many, their sum."""
    for use, words in _SKY_WORDS.items():
        spans = [span for one, span in spent.stretches if one is use]
        long = [span for span in _together(spans) if span.duration_s >= LONG_S]
        if len(long) > 2:
            whole_s = sum(span.duration_s for span in spans)
            yield f"{hours(whole_s)} of {words}, in {len(long)} parts"
            continue
        for span in long:
            yield f"{hours(span.duration_s)} of {words} from {clock(span.start_unix_s, zone)}"


def _together(spans: Sequence[Interval]) -> list[Interval]:
    wide = [Interval(s.start_unix_s, s.end_unix_s + TOGETHER_S) for s in spans]
    return [Interval(s.start_unix_s, s.end_unix_s - TOGETHER_S) for s in joined(wide)]


def _trouble(spent: Minutes) -> Iterator[str]:
    seconds = spent.seconds()
    for use, words in ((Use.SILENT, "no daemon ran"), (Use.FAULT, "trouble with the rig took")):
        if seconds.get(use, 0.0) >= LONG_S:
            took = hours(seconds[use])
            yield f"{words} {took}" if use is Use.FAULT else f"{words} for {took}"


def _even(night: Night) -> Iterator[str]:
    """Which filter lags behind on which target; one word where none does."""
    asked = {
        target: [row for row in rows if row.cycle_s > 0.0] for target, rows in night.targets.items()
    }
    shot = {
        target: rows
        for target, rows in asked.items()
        if len(rows) > 1 and any(row.tonight_s for row in rows)
    }
    lags = {target: behind for target, rows in shot.items() if (behind := uneven(rows))}
    for target, (name, cycles) in lags.items():
        where = f" on {target}" if len(shot) > 1 else ""
        yield f"{name} is {cycles:.1f} cycles behind{where}"
    if shot and not lags:
        names = dict.fromkeys(row.filter for rows in shot.values() for row in rows)
        yield f"{_listed(list(names))} even"


def uneven(rows: Sequence[FilterRow]) -> tuple[str, float] | None:
    """The filter furthest behind its share over all nights, in cycles; None within one cycle."""
    cycles = sum(row.all_s for row in rows) / sum(row.cycle_s for row in rows)
    lacking = {row.filter: cycles - row.all_s / row.cycle_s for row in rows}
    name = max(lacking, key=lambda one: lacking[one])
    return (name, lacking[name]) if lacking[name] > 1.0 + 1e-6 else None


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:-1]) + f" and {names[-1]}"


def _rejected(night: Night) -> Iterator[str]:
    lost = [sub for sub in night.subs if sub.fate is Fate.REJECTED]
    if lost:
        yield f"{len(lost)} frame{'s' if len(lost) > 1 else ''} rejected"


def _focus(night: Night) -> Iterator[str]:
    play = night.backlash
    if play is not None:
        yield (
            f"the focuser's backlash looks like {play.found_steps:.0f} steps,"
            f" you configured {play.configured_steps:.0f}"
        )
    for one in night.filters.values():
        if (
            one.trust == "good"
            and one.learned_steps is not None
            and one.configured_steps is not None
        ):
            off = one.learned_steps - one.configured_steps
            if one.zone_steps and abs(off) > ZONES_OFF * one.zone_steps:
                yield (
                    f"the focus offset of {one.name} looks like {one.learned_steps:.0f} steps,"
                    f" you configured {one.configured_steps:.0f}"
                )
