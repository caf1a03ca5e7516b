"""Writes the report of a night: reads its records and frames, and puts one file on disk."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from nightloom.drawing.svg import Canvas
from nightloom.report.findings import Findings
from nightloom.report.looking_up import Sources, night_of
from nightloom.report.minutes import minutes
from nightloom.report.opening import opening, sentences
from nightloom.report.page import page
from nightloom.report.pictures import pictures_of, with_gradients
from nightloom.report.same_sky import spreads
from nightloom.report.timeline import night_sheet


@dataclass(frozen=True)
class Written:
    """What was written."""

    file: Path
    said: str
    """The first sentence or two."""
    figures: Mapping[str, object]
    """What the report says, as `--json` has it."""
    drawing: Canvas
    """The night as a line of time, to be a file of its own."""


def report_file(output_folder: Path, night: date) -> Path:
    """Where the report of a night goes by itself."""
    return output_folder / "reports" / f"{night}.html"


def write_report(sources: Sources, file: Path) -> Written:
    """Write the report of a night: whole, or not at all.

    Raises NoRecords without a log that tells of a night, OSError where a file cannot be read or
    written, and LedgerError.
    """
    found = findings(sources)
    file.parent.mkdir(parents=True, exist_ok=True)
    partial = file.with_name(f".{file.name}.partial")
    try:
        partial.write_text(page(found), encoding="utf-8")
        partial.replace(file)
    finally:
        partial.unlink(missing_ok=True)
    said = sentences(found.clauses)
    return Written(file, said, figures(found), night_sheet(found.night, said, found.zone))


def findings(sources: Sources) -> Findings:
    """Everything that the report tells. Raises as `write_report` does."""
    settings = sources.settings
    night, zone = night_of(sources)
    pictures = pictures_of(sources.frames, night.subs, night.filters)
    night = replace(night, subs=with_gradients(night.subs, pictures))
    spent = minutes(night)
    orders = {target.name: list(target.subs) for target in settings.targets.targets}
    differ = {
        target: spreads(
            [sub for sub in night.subs if sub.target == target and sub.kept],
            orders.get(target, []),
        )
        for target in dict.fromkeys(sub.target for sub in night.subs)
    }
    return Findings(night, spent, opening(night, spent, zone), differ, pictures, zone)


def figures(found: Findings) -> dict[str, object]:
    """The report's figures, for programs."""
    return {
        "night": found.night.night,
        "said": sentences(found.clauses),
        "dark_s": round(found.night.dark.duration_s, 1),
        "spent_s": {use.name.lower(): round(s, 1) for use, s in found.spent.seconds().items()},
        "targets": {
            target: {
                row.filter: {
                    "tonight_s": row.tonight_s,
                    "all_s": row.all_s,
                    "wanted_s": row.wanted_s,
                    "frames": row.kept,
                    "rejected": row.rejected,
                }
                for row in rows
            }
            for target, rows in found.night.targets.items()
        },
        "same_sky": {
            target: {
                one.quantity.name: {"woven": round(one.woven, 5), "blocks": round(one.blocks, 5)}
                for one in each
            }
            for target, each in found.spreads.items()
        },
        "unread": dict(found.pictures.unread),
    }
