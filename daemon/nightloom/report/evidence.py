"""Parts of the page: focus, the same sky, rejected frames, and what went wrong."""

from collections.abc import Callable, Iterator, Sequence
from datetime import tzinfo

from nightloom.drawing.svg import Style
from nightloom.report import charts, html
from nightloom.report.findings import Findings
from nightloom.report.opening import clock
from nightloom.report.records import Exposure, Fate, Night, Told
from nightloom.report.same_sky import Spread

TOLD_MAX = 60
"""Warnings that are listed; the log has all."""


# Focus and sky ------------------------------------------------------------------------------------


def focus(night: Night, keys: dict[str, Style], zone: tzinfo) -> Iterator[str]:
    """Focus against temperature, the offsets, and each look."""
    line = night.focus_line
    drawn = []
    if (warm := charts.focus_by_temperature(night, keys)) is not None:
        caption = "Bars: one standard error."
        if line is not None:
            told = "learned" if line.known else "not sure yet"
            slope = f"{line.slope_steps_per_c:+.1f} ± {line.error_steps_per_c:.1f}"
            caption += f" Dashed: {slope.replace('-', '−')} steps for each °C, {told}."
        drawn.append(html.figure(warm, caption))
    if (learned := charts.offsets(night.filters.values(), keys)) is not None:
        drawn.append(html.figure(learned, charts.OFFSETS_KEY))
    yield html.element("div", "".join(drawn), "pair") if drawn else ""
    if night.looks:
        rows = [
            [clock(look.at_s, zone), look.kind, look.filter, look.found] for look in night.looks
        ]
        yield html.table(["at", "look", "filter", "found"], rows)


def library(night: Night) -> Iterator[str]:
    """What was taken of calibration frames, and what is lacking still."""
    if not night.library:
        return
    heads = ["of the lights", "tonight", "there now", "too old", "wanted", "lacking"]
    rows = [
        [
            one.frames,
            str(one.tonight),
            str(one.fresh),
            str(one.too_old),
            str(one.wanted),
            str(one.missing or "–"),
        ]
        for one in night.library
    ]
    yield html.table(heads, rows, range(1, len(heads)))


def same_sky(found: Findings, keys: dict[str, Style]) -> Iterator[str]:
    """What each filter's accepted seconds met, and how far the filters differ."""
    night = found.night
    order = list(night.filters)
    for target, spreads in found.spreads.items():
        if not spreads:
            continue
        kept = [sub for sub in night.subs if sub.target == target and sub.kept]
        drawn = [html.figure(one) for one in charts.seen_by_filters(kept, order, keys)]
        yield html.words("h3", target)
        yield html.element("div", "".join(drawn), "pair")
        heads = ["between filters", "as taken", "in blocks"]
        rows = [[one.quantity.name, *map(_differ(one), (one.woven, one.blocks))] for one in spreads]
        yield html.table(heads, rows, (1, 2))
    if any(found.spreads.values()):
        yield html.words(
            "p",
            "Marks: median of the accepted seconds; thick: half of them; thin: nine tenths. The"
            " table tells how far the filters’ means lie apart, each filter’s own level taken off,"
            " and how far they would have lain apart tonight had the same seconds been taken one"
            " filter after another.",
            "small",
        )


def _differ(one: Spread) -> Callable[[float], str]:
    def told(value: float) -> str:
        if one.quantity.relative:
            return f"{100 * value:.1f} %"
        unit = f" {one.quantity.unit}" if one.quantity.unit else ""
        return f"{value:.3f}{unit}"

    return told


# What went wrong ----------------------------------------------------------------------------------


def rejected(found: Findings) -> Iterator[str]:
    """Each rejected frame, small, with the reason."""
    lost = [sub for sub in found.night.subs if sub.fate is Fate.REJECTED]
    shown, rows = [], []
    for sub in lost:
        caption = f"{_number(sub)}, {sub.filter}, {clock(sub.open.start_unix_s, found.zone)}:"
        png = found.pictures.rejected.get(sub.uid)
        if png is not None:
            text = f"{caption} {sub.reason}"
            shown.append(html.picture(png, f"rejected frame {_number(sub)}", text))
        else:
            at = clock(sub.open.start_unix_s, found.zone)
            rows.append([_number(sub), sub.filter, at, sub.reason])
    if shown:
        yield html.element("div", "".join(shown), "rejects")
    if rows:
        yield html.table(["frame", "filter", "at", "why"], rows)
    if not lost:
        yield html.words("p", "None.")


def _number(sub: Exposure) -> str:
    return sub.uid.rpartition("-")[2].lstrip("0")


def told(night: Night, zone: tzinfo) -> Iterator[str]:
    """Warnings and errors in their order."""
    if not night.told:
        yield html.words("p", "Nothing.")
        return
    rows = [[clock(at_s, zone), words] for at_s, words in _once(night.told)]
    yield html.table(["at", "what"], rows[:TOLD_MAX])
    more = len(rows) - TOLD_MAX
    if more > 0:
        yield html.words("p", f"And {more} more, in the log.", "small")


def _once(told: Sequence[Told]) -> list[tuple[float, str]]:
    """What was told, with what was said again at once joined to it."""
    runs: list[list[Told]] = []
    for one in told:
        if runs and runs[-1][0].words == one.words:
            runs[-1].append(one)
        else:
            runs.append([one])
    return [
        (run[0].at_s, run[0].words + (f" (told {len(run)} times)" if len(run) > 1 else ""))
        for run in runs
    ]
