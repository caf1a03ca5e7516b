"""The page of a night, out of its data: one file, with no script and nothing from outside."""

from collections.abc import Iterator
from datetime import tzinfo
from html import escape
from pathlib import Path

from nightloom.drawing.svg import COLOURS, FAINT, Canvas
from nightloom.report import charts, evidence, html
from nightloom.report.findings import Findings
from nightloom.report.minutes import GAP_USES, OPEN_USES, Minutes, Use
from nightloom.report.opening import clear_s, clock, hours, sentences
from nightloom.report.records import FilterRow, Night, Stay
from nightloom.report.timeline import KEY, PHASES, timeline, times, title

STYLE = Path(__file__).with_name("page.css")

SHORT_S = 20.0
"""Stays in a phase of less are not listed."""


def page(found: Findings) -> str:
    """The whole file."""
    night = found.night
    name = title(night)
    body = "".join(_parts(found, name))
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(name)}</title><style>{STYLE.read_text(encoding='utf-8')}</style></head>"
        f"<body>{body}</body></html>\n"
    )


def _parts(found: Findings, name: str) -> Iterator[str]:
    night, zone = found.night, found.zone
    keys = charts.styles(list(night.filters))
    yield html.words("h1", name)
    yield html.words("p", sentences(found.clauses), "said")
    yield html.words("p", times(night, zone), "small")
    yield html.section("Gathered against wanted", *_gathered(night), kind="whole")
    yield html.section("What it looks like", *_looks_like(found))
    yield html.section("The night", *_line_of_time(night, zone), kind="whole")
    yield html.section("Where every minute went", *_minutes(night, found.spent), kind="whole leaf")
    drawn = [html.figure(one) for one in charts.courses(night, keys, zone)]
    drawn += [html.figure(charts.altitudes(night, zone), _moon(night))] if night.paths else []
    yield html.section("Over time", html.element("div", "".join(drawn), "pair"))
    yield html.section("Focus", *evidence.focus(night, keys, zone))
    yield html.section("Whether the filters saw the same sky", *evidence.same_sky(found, keys))
    yield html.section("Rejected frames", *evidence.rejected(found))
    yield html.section("Darks, biases and flats", *evidence.library(night))
    yield html.section("What went wrong, and what was done", *evidence.told(night, zone))


# Gathered -----------------------------------------------------------------------------------------


def _gathered(night: Night) -> Iterator[str]:
    for target, rows in night.targets.items():
        heads = ["filter", "tonight", "all nights", "asked", "frames", "rejected"]
        cells = [_row(row) for row in rows]
        if any(row.worth_s is not None for row in rows):
            heads.insert(2, "worth")
            for row, told in zip(rows, cells, strict=True):
                told.insert(2, "–" if row.worth_s is None else _together(hours(row.worth_s)))
        yield html.words("h3", target)
        yield html.table(heads, cells, range(1, len(heads)))
    if any(row.worth_s is not None for rows in night.targets.values() for row in rows):
        yield html.words("p", "Worth: as much light as under the best sky.", "small")


def _row(row: FilterRow) -> list[str]:
    wanted = row.wanted_s
    asked = f"a share of {percent(row.share)}" if row.share else "–"
    if wanted:
        asked = f"{percent(row.all_s / wanted)} of {hours(wanted)}"
    counts = [str(row.kept), str(row.rejected)]
    gathered = [_together(hours(row.tonight_s)), _together(hours(row.all_s))]
    return [row.filter, *gathered, asked, *counts]


def _together(words: str) -> str:
    """Words that are not broken between two lines."""
    return words.replace(" ", "\N{NO-BREAK SPACE}")


def _looks_like(found: Findings) -> Iterator[str]:
    for target, shown in found.pictures.targets.items():
        if not shown:
            continue
        yield html.words("h3", target)
        colour_first = [*shown[-1:], *shown[:-1]] if len(shown) > 3 else list(shown)
        figures = []
        for place, one in enumerate(colour_first):
            some = "" if one.frames == one.of else f" of {one.of}"
            caption = f"{one.name}: {one.frames}{some} frames, {hours(one.seconds)}"
            wide = "wide" if place == 0 and "colour" in one.name else ""
            figures.append(html.picture(one.png, f"{target}, {one.name}", caption, wide))
        yield html.element("div", "".join(figures), "pictures")
    if found.pictures.targets:
        yield html.words(
            "p",
            "A quick look, binned down and without darks and flats: registered by the frames’"
            " coordinates, clipped at three sigmas, weighted by inverse variance.",
            "small",
        )
    if found.pictures.unread:
        yield html.words("p", f"{len(found.pictures.unread)} frames could not be read.", "small")


# The night ----------------------------------------------------------------------------------------


def _line_of_time(night: Night, zone: tzinfo) -> Iterator[str]:
    drawn = [html.figure(one) for one in timeline(night, zone)]
    yield html.element("div", "".join(drawn), "pair")
    yield html.words("p", KEY + _skies(night, zone), "small")
    others = [
        f"{clock(stay.span.start_unix_s, zone)} {PHASES[stay.phase][0]}, {minutes_text(spent_s)}"
        for stay in night.stays
        if stay.phase in PHASES
        and stay.phase != "gathering"
        and (spent_s := _in_dark_s(night, stay))
    ]
    if others:
        yield html.words("p", f"Beside subs: {'; '.join(others)}.", "small")


def _in_dark_s(night: Night, stay: Stay) -> float:
    """Seconds of a stay in the dark; 0 for one that is over at once."""
    part = stay.span.common(night.dark)
    return part.duration_s if part is not None and part.duration_s >= SHORT_S else 0.0


def _skies(night: Night, zone: tzinfo) -> str:
    """What dimmed the stars, and from when."""
    seen = [
        f"{clock(at_s, zone)} {cause}" + (f", {mag:.1f} mag" if mag >= 0.05 else "")
        for at_s, cause, mag in night.sky
    ]
    return f" The sky by its stars: {'; '.join(seen)}." if seen else ""


def _minutes(night: Night, spent: Minutes) -> Iterator[str]:
    seconds = spent.seconds()
    dark_s = night.dark.duration_s
    rows = []
    for use, spent_s in seconds.items():
        cells = html.words("td", use.value)
        cells += html.words("td", minutes_text(spent_s), "number")
        cells += html.words("td", percent(spent_s / dark_s, 1), "number")
        rows.append(
            html.element("tr", cells + html.element("td", _bar(use, spent_s / dark_s), "bar"))
        )
    total = html.words("td", "the dark") + html.words("td", minutes_text(dark_s), "number")
    rows.append(
        html.element("tr", total + html.words("td", percent(1.0, 1), "number") + "<td></td>")
    )
    yield html.element("table", html.element("tbody", "".join(rows)), "spent")
    yield html.words("p", _bound(night, spent), "small")


def _bar(use: Use, part: float) -> str:
    canvas = Canvas(200.0, 14.0, use.value)
    canvas.rectangle(0.0, 2.0, 200.0 * part, 10.0, COLOURS[0] if use in OPEN_USES else FAINT)
    return canvas.svg().replace("<svg ", '<svg preserveAspectRatio="none" ', 1)


def percent(part: float, decimals: int = 0) -> str:
    """A part of one in hundredths."""
    return f"{100.0 * part:.{decimals}f} %"


def minutes_text(seconds: float) -> str:
    """Minutes to a tenth."""
    return f"{seconds / 60:.1f} min"


def _bound(night: Night, spent: Minutes) -> str:
    seconds = spent.seconds()
    opened = sum(seconds.get(use, 0.0) for use in OPEN_USES)
    gaps = sum(seconds.get(use, 0.0) for use in GAP_USES)
    usable = clear_s(spent)
    text = f"Shutter open for {percent(opened / usable, 1)} of the clear dark. " if usable else ""
    text += f"Gaps between subs took {minutes_text(gaps)}"
    if night.least_gap_s is not None:
        text += "; the least that these subs need by the configured times is"
        text += f" {minutes_text(night.least_gap_s)}"
        kept_open = night.least_gap_s + opened
        if kept_open:
            text += f", with the shutter open for {percent(opened / kept_open, 1)}"
    return f"{text}. Of things that run at the same time the longest counts."


def _moon(night: Night) -> str:
    if night.moon_lit is None:
        return ""
    down = "" if any(path.name == "Moon" for path in night.paths) else ", and down while it is dark"
    return f"The Moon is {percent(night.moon_lit)} lit{down}."
