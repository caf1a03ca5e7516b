"""Pictures of focus: the learned offsets in one, the curves themselves in another."""

from collections.abc import Mapping, Sequence
from math import nan

import numpy as np

from nightloom.drawing.letters import shortened
from nightloom.drawing.plots import LEFT, RIGHT, WIDTH, Axis, Plot
from nightloom.drawing.sheet import sheet
from nightloom.drawing.svg import INK, Canvas, Scale, Style, style
from nightloom.focusing import BLURRED_DISK, Offset, Offsets
from nightloom.focusing.learned import zone_steps
from nightloom.ledger import Curve
from nightloom.report.charts import OFFSETS_KEY, ZONE, offsets, styles
from nightloom.report.looking_up import filter_facts
from nightloom.settings.observatory import Observatory

CURVES_KEY = (
    "Circles: half-flux radii; line: the fitted curve, broken where it was refused; upright: where"
    " focus is best, with the critical focus zone shaded. Crosses: positions without a star.",
)


def offsets_sheet(observatory: Observatory, learned: Offsets) -> Canvas:
    """Learned offsets less the configured ones, against each filter's critical focus zone.

    So drawn, errors of a few steps show beside offsets of hundreds.
    """
    names = [name for name in observatory.filters if name in learned.offsets]
    slope, error = learned.slope_steps_per_c, learned.slope_error_steps_per_c
    words = [
        f"Counted from {learned.reference}; temperature slope {slope:+.1f} ± {error:.1f} steps/°C.",
        *(_told(name, observatory, learned, learned.offsets[name]) for name in names),
    ]
    facts = [filter_facts(observatory, learned, name) for name in names]
    drawn = offsets(facts, styles(list(observatory.filters)))
    title = f"Focus offsets, {observatory.name}"
    return sheet(title, words, [drawn] if drawn else [], [OFFSETS_KEY] if drawn else [])


def _told(name: str, observatory: Observatory, learned: Offsets, one: Offset) -> str:
    steps = observatory.filters[learned.reference].offset_steps + one.steps
    seen = f"{one.curves} curves, {one.checks} checks"
    return f"{name}: {steps:+.1f} steps, {one.trust.value} by {seen}".replace("-", "−")


def curves_sheet(observatory: Observatory, curves: Sequence[Curve]) -> Canvas:
    """Each curve with its points, fit, vertex and the critical focus zone about it."""
    keys = styles(list(observatory.filters))
    drawn = [
        curve_drawn(
            curve,
            keys.get(curve.filter, style(len(keys))),
            zone_steps(observatory, curve.filter) if curve.filter in observatory.filters else 0.0,
        )
        for curve in curves
    ]
    title = f"Focus curves, {observatory.name}"
    return sheet(title, [], drawn, CURVES_KEY, columns=2 if len(drawn) > 2 else 1)


def curve_drawn(curve: Curve, key: Style, zone_steps: float) -> Canvas:
    """One curve, as the ledger keeps it; `zone_steps` is the width of its critical focus zone."""
    positions = [float(at) for at in curve.positions_steps]
    seen = {
        at: radius
        for at, radius in zip(positions, curve.radii_px, strict=True)
        if radius is not None
    }
    taken = f"{curve.taken_utc:%Y-%m-%d %H:%M}"
    radii = Axis(f"{curve.filter}, {taken} UTC: half-flux radius (px)", 0.0, 1.12 * _most(seen))
    plot = Plot(f"focus curve through {curve.filter}, {taken}", radii)
    along = Axis.of(shortened(_found(curve), WIDTH), positions)
    plot.x = Scale(along.low, along.high, LEFT, WIDTH - RIGHT)
    if curve.accepted and curve.vertex_steps is not None:
        _zone(plot, curve.vertex_steps, zone_steps)
    plot.over(along)
    _fit(plot, curve, key)
    for at in positions:
        if at in seen:
            plot.point(at, seen[at], Style(key.colour, "circle", ""), hollow=True)
        else:
            plot.point(at, 0.0, Style(INK, "cross", ""))
    return plot.canvas


def _most(seen: Mapping[float, float]) -> float:
    return max(seen.values(), default=1.0)


def _found(curve: Curve) -> str:
    """What the curve says, under its positions."""
    best = curve.refusal
    if curve.accepted and curve.vertex_steps is not None:
        best = f"best {curve.vertex_steps:.0f} ± {curve.error_steps or 0.0:.1f}"
    warm = "" if curve.temperature_c is None else f", {curve.temperature_c:.1f} °C"
    return f"focuser position (steps); {best}{warm}".replace("-", "−")


def _zone(plot: Plot, vertex_steps: float, zone_steps: float) -> None:
    ends = (vertex_steps - zone_steps / 2.0, vertex_steps + zone_steps / 2.0)
    left, right = (plot.x(min(max(end, plot.x.low), plot.x.high)) for end in ends)
    plot.canvas.rectangle(left, plot.top, right - left, plot.bottom - plot.top, ZONE)
    plot.canvas.line(plot.x(vertex_steps), plot.top, plot.x(vertex_steps), plot.bottom, INK)


def _fit(plot: Plot, curve: Curve, key: Style) -> None:
    """The fitted curve as far as the axes reach."""
    vertex_steps, radius_px, slope = curve.vertex_steps, curve.radius_px, curve.slope_px_per_step
    if vertex_steps is None or not radius_px or slope is None:
        return
    along = np.linspace(plot.x.low, plot.x.high, 120)
    radii = radius_px * BLURRED_DISK.growth(slope * (along - vertex_steps) / radius_px)
    shown = np.where(radii <= plot.y.high, radii, nan)
    pairs = [(float(at), float(radius)) for at, radius in zip(along, shown, strict=True)]
    plot.curve(pairs, Style(key.colour, "circle", "" if curve.accepted else "6 4"))
