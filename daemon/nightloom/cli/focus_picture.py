"""Pictures of focus: the learned offsets in one, the curves themselves in another."""

import math
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes

from nightloom.cli.picture import blank, save
from nightloom.focusing import BLURRED_DISK, Offsets, Trust
from nightloom.focusing.learned import zone_steps
from nightloom.ledger import Curve
from nightloom.settings.observatory import Observatory

PAPER, INK, FAINT, LINE = "#f7f4ec", "#22303c", "#9aa3a8", "#d9d4c6"
DOT, CONFIGURED, CURVE, REFUSED = "#0f7173", "#c8553d", "#0f7173", "#a9a294"
ZONE = "#d8e6e0"
COLUMNS = 4


def draw_offsets(observatory: Observatory, learned: Offsets, file: Path) -> None:
    """Learned offsets less the configured ones, against each filter's critical focus zone.

    So drawn, errors of a few steps show beside offsets of hundreds. Raises BadInput when the file
    cannot be written.
    """
    names = [name for name in observatory.filters if name in learned.offsets]
    figure = blank(9.0, 1.9 + 0.52 * len(names), PAPER)
    axes = figure.subplots()
    _style(axes)
    for row, name in enumerate(names):
        _draw_offset(axes, row, observatory, learned, name)
    axes.axvline(0, color=CONFIGURED, lw=1.2, zorder=2)
    axes.set_yticks(range(len(names)), names, fontsize=11, fontweight="bold")
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.margins(x=0.05)
    axes.set_xlabel("learned less configured offset (steps); bars one and two standard errors")
    axes.set_title(
        f"Focus offsets, counted from {learned.reference}    ·    temperature slope"
        f" {learned.slope_steps_per_c:+.1f} ± {learned.slope_error_steps_per_c:.1f} steps/°C\n",
        loc="left",
        color=INK,
        fontweight="bold",
    )
    axes.text(
        0.0,
        1.02,
        "red: as configured · shaded: a quarter of the critical focus zone to either side"
        " · filled: good enough to be used",
        transform=axes.transAxes,
        color=FAINT,
        fontsize=8.5,
    )
    save(figure, file, f"The picture {file}")


def _draw_offset(
    axes: Axes, row: int, observatory: Observatory, learned: Offsets, name: str
) -> None:
    """One filter's row: its zone, its offset with its errors, and what it rests on."""
    origin = observatory.filters[learned.reference].offset_steps
    one, said = learned.offsets[name], observatory.filters[name].offset_steps
    quarter = zone_steps(observatory, name) / 4.0
    axes.barh(row, 2 * quarter, left=-quarter, height=0.7, color=ZONE, zorder=1)
    off, error = origin + one.steps - said, one.error_steps
    if math.isfinite(error):
        axes.plot([off - 2 * error, off + 2 * error], [row, row], color=DOT, lw=1.4, zorder=3)
        axes.plot([off - error, off + error], [row, row], color=DOT, lw=4.0, zorder=3)
    face = DOT if one.trust is Trust.GOOD else PAPER
    axes.plot(off, row, "o", ms=9, mfc=face, mec=DOT, mew=1.6, zorder=4)
    seen = f"{one.curves} curves, {one.checks} checks"
    words = f"{origin + one.steps:+.1f}  {one.trust.value}\n{seen}"
    axes.text(1.01, row, words, transform=axes.get_yaxis_transform(), va="center", color=INK)


def draw_curves(observatory: Observatory, curves: list[Curve], file: Path) -> None:
    """Each curve with its points, fit, vertex and the critical focus zone about it.

    Raises BadInput when the file cannot be written.
    """
    columns = max(1, min(COLUMNS, len(curves)))
    rows = max(1, math.ceil(len(curves) / columns))
    width, height = 3.0 * columns + 0.5, 2.5 * rows + 0.4
    figure = blank(width, height, PAPER, fitted=False)
    figure.subplots_adjust(
        left=0.9 / width,
        right=1.0 - 0.3 / width,
        bottom=0.75 / height,
        top=1.0 - 0.5 / height,
        wspace=0.2,
        hspace=0.5,
    )
    grid = figure.subplots(rows, columns, squeeze=False).ravel()
    for axes, curve in zip(grid, curves, strict=False):
        known = curve.filter in observatory.filters
        draw_curve(axes, curve, zone_steps(observatory, curve.filter) if known else 0.0)
    for axes in grid[len(curves) :]:
        axes.remove()
    figure.supxlabel("focuser position (steps)", fontsize=10, color=INK, y=0.15 / height)
    figure.supylabel("half-flux radius (px)", fontsize=10, color=INK, x=0.15 / width)
    save(figure, file, f"The picture {file}")


def draw_curve(axes: Axes, curve: Curve, zone_steps: float = 0.0) -> None:
    """One curve into matplotlib's axes, as the ledger keeps it.

    A position without stars is a cross on the axis. The vertex has the critical focus zone about
    it, where its width is given.
    """
    _style(axes)
    colour = CURVE if curve.accepted else REFUSED
    positions = np.array(curve.positions_steps, dtype=np.float64)
    radii = np.array([math.nan if r is None else r for r in curve.radii_px])
    if curve.vertex_steps is not None and curve.radius_px and curve.slope_px_per_step is not None:
        along = np.linspace(positions.min(), positions.max(), 200)
        reach = curve.slope_px_per_step * (along - curve.vertex_steps) / curve.radius_px
        axes.plot(along, curve.radius_px * BLURRED_DISK.growth(reach), color=colour, lw=1.6)
        if curve.accepted:
            near, far = curve.vertex_steps - zone_steps / 2, curve.vertex_steps + zone_steps / 2
            axes.axvspan(near, far, color=ZONE, zorder=0)
            axes.axvline(curve.vertex_steps, color=CONFIGURED, lw=1.0)
    seen = np.isfinite(radii)
    axes.plot(positions[seen], radii[seen], "o", ms=5, mfc=PAPER, mec=INK, mew=1.3)
    axes.plot(positions[~seen], np.zeros(np.sum(~seen)), "x", ms=5, color=CONFIGURED, clip_on=False)
    axes.set_ylim(0, 1.12 * np.max(radii[seen], initial=1.0))
    axes.set_xlim(
        *np.quantile(positions, [0.0, 1.0]) + 0.06 * np.ptp(positions) * np.array([-1, 1])
    )
    found = (
        f"{curve.vertex_steps:.0f} ± {curve.error_steps or 0:.1f}"
        if curve.accepted
        else curve.refusal
    )
    warm = "" if curve.temperature_c is None else f", {curve.temperature_c:.1f} °C"
    axes.set_title(
        f"{curve.filter}  {found}\n{curve.taken_utc:%Y-%m-%d %H:%M}{warm}",
        loc="left",
        fontsize=9,
        color=INK if curve.accepted else CONFIGURED,
    )
    axes.locator_params(axis="x", nbins=4)
    axes.tick_params(labelsize=8)


def _style(axes: Axes) -> None:
    axes.set_facecolor(PAPER)
    axes.tick_params(colors=FAINT, labelcolor=INK)
    axes.xaxis.label.set_color(INK)
    for side, spine in axes.spines.items():
        spine.set_color(LINE)
        spine.set_visible(side in ("left", "bottom"))
    axes.grid(axis="x", color=LINE, lw=0.6)
    axes.set_axisbelow(True)
