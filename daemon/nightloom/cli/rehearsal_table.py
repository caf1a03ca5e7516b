"""What a rehearsal came to, and the table that tells a person."""

from rich import box
from rich.console import Console
from rich.table import Table

from nightloom.night.summary import NightFigures
from nightloom.telemetry.figures import counted


class RehearsalFigures(NightFigures):
    """What a rehearsal came to."""

    unevenness: float
    violations: list[str]
    troubles: dict[str, str]
    dark_parts_s: dict[str, float]
    assumed: list[str]
    ended_early: str
    wall_s: float
    log_sha256: str
    out: str
    report: str


def print_figures(figures: RehearsalFigures, order: list[str]) -> None:
    """What was assumed, and the closing table with the filters in this order."""
    console = Console()
    for assumed in figures["assumed"]:
        console.print(assumed)
    subs = Table(box=box.SIMPLE, title=f"Night of {figures['night']}")
    for column in ("filter", "accepted", "rejected"):
        subs.add_column(column, justify="left" if column == "filter" else "right", overflow="fold")
    accepted_s, rejected_s = figures["accepted_s"], figures["rejected_s"]
    for name in (name for name in order if name in {*accepted_s, *rejected_s}):
        subs.add_row(name, _minutes(accepted_s.get(name, 0)), _minutes(rejected_s.get(name, 0)))
    console.print(subs)
    rows = Table("", "", box=None, show_header=False, padding=(0, 2))
    rows.columns[1].overflow = "fold"
    for name, seconds in figures["dark_parts_s"].items():
        rows.add_row("" if name else "dark", _minutes(seconds) + (f" for {name}" if name else ""))
    rows.add_row("clear", _minutes(figures["clear_s"]))
    rows.add_row("shutter open", f"{_minutes(figures['open_s'])}, {figures['open_fraction']:.1%}")
    looks = [(figures["focus_runs"], "curve"), (figures["focus_checks"], "short look")]
    focus = ", ".join(counted(number, what) for number, what in looks if number)
    guided = figures["guide_rms_arcsec"]
    for name, told in (
        ("dithers", str(figures["dithers"] or "")),
        ("focus", f"{focus}; {figures['focus_s']:.0f} s" if focus else ""),
        ("shelters", str(figures["shelters"] or "")),
        ("guide error", "" if guided is None else f"{guided:.2f}″ rms"),
        ("uneven by", f"{figures['unevenness']:.2f} cycles at most"),
    ):
        if told:
            rows.add_row(name, told)
    rows.add_row("promises broken", str(len(figures["violations"])))
    rows.add_row("took", f"{figures['wall_s']:.0f} s")
    rows.add_row("written to", figures["out"])
    rows.add_row("report", figures["report"])
    console.print(rows)
    for name, at in figures["troubles"].items():
        console.print(f"  {name} from {at}")
    if figures["ended_early"]:
        console.print(f"  ended early: {figures['ended_early']}")
    for violation in figures["violations"]:
        console.print(f"  broken: {violation}")


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:.0f} min"
