"""Drawing, by our own few strokes of SVG: a canvas, scales, marks that differ without colour."""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from math import ceil, floor, isfinite, log10

INK, FAINT, GRID, PAPER = "#1a1a1a", "#595959", "#d9d9d9", "#ffffff"

COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#000000", "#e69f00", "#56b4e9")
"""Okabe & Ito's set for all kinds of colour vision (Color Universal Design, 2008), yellow left out:
it is hardly seen on white."""

SCREEN = 1.4
"""How much larger than drawn a file of its own is shown at most."""

MARKS = ("circle", "square", "up", "diamond", "cross", "down", "plus")
DASHES = ("", "7 3", "2 2.5", "9 3 2 3", "4 2", "1 3", "12 4")


@dataclass(frozen=True)
class Style:
    """How one kind of thing is drawn: no two share colour, mark or dash within seven, and no two
    all three within 49.
    """

    colour: str
    mark: str
    dash: str


MOON = Style(FAINT, "circle", "2 3")


def style(number: int) -> Style:
    """The style of the kind of that number."""
    other = (number + number // 7) % 7
    return Style(COLOURS[number % 7], MARKS[other], DASHES[other])


@dataclass(frozen=True)
class Scale:
    """From values to places on the canvas."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)


class Canvas:
    """A drawing of fixed inner size that a page shows at any width; `title` is what it tells."""

    def __init__(self, width: float, height: float, title: str) -> None:
        self.width, self.height, self._title = width, height, title
        self._parts: list[str] = []

    def line(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        colour: str = FAINT,
        width: float = 1.0,
        dash: str = "",
    ) -> None:
        """A straight line."""
        self._parts.append(
            f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}"'
            f' stroke-width="{width:g}"{_dashed(dash)}/>'
        )

    def curve(
        self, points: Sequence[tuple[float, float]], colour: str, width: float = 1.6, dash: str = ""
    ) -> None:
        """A line through points; where one is not finite it is interrupted."""
        path, pen_down = [], False
        for x, y in points:
            if not (isfinite(x) and isfinite(y)):
                pen_down = False
                continue
            path.append(f"{'L' if pen_down else 'M'}{x:.1f} {y:.1f}")
            pen_down = True
        if path:
            self._parts.append(
                f'<path d="{"".join(path)}" fill="none" stroke="{colour}"'
                f' stroke-width="{width:g}" stroke-linejoin="round"{_dashed(dash)}/>'
            )

    def rectangle(
        self, x: float, y: float, width: float, height: float, fill: str, edge: str = "none"
    ) -> None:
        """A filled box."""
        self._parts.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{max(width, 0.3):.1f}" height="{height:.1f}"'
            f' fill="{fill}" stroke="{edge}"/>'
        )

    def text(
        self,
        x: float,
        y: float,
        words: str,
        anchor: str = "start",
        colour: str = INK,
        size: float = 13.0,
        *,
        bold: bool = False,
    ) -> None:
        """Words whose line begins, ends or has its middle there."""
        weight = ' font-weight="bold"' if bold else ""
        self._parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}"'
            f' font-size="{size:g}"{weight}>{escape(words)}</text>'
        )

    def place(self, other: "Canvas", x: float, y: float) -> None:
        """Another drawing with its upper left corner there."""
        self._parts.append(f'<g transform="translate({x:.1f} {y:.1f})">{other.inside()}</g>')

    def mark(
        self, x: float, y: float, kind: str, colour: str, size: float = 3.2, hollow: bool = False
    ) -> None:
        """One point of a kind; hollow for what does not count."""
        if not (isfinite(x) and isfinite(y)):
            return
        fill = PAPER if hollow else colour
        s = size
        shapes = {
            "square": f"M{x - s:.1f} {y - s:.1f}h{2 * s:g}v{2 * s:g}h{-2 * s:g}z",
            "up": f"M{x:.1f} {y - 1.2 * s:.1f}l{1.2 * s:.1f} {2.1 * s:.1f}h{-2.4 * s:.1f}z",
            "down": f"M{x:.1f} {y + 1.2 * s:.1f}l{1.2 * s:.1f} {-2.1 * s:.1f}h{-2.4 * s:.1f}z",
            "diamond": f"M{x:.1f} {y - 1.3 * s:.1f}l{1.3 * s:.1f} {1.3 * s:.1f}"
            f"l{-1.3 * s:.1f} {1.3 * s:.1f}l{-1.3 * s:.1f} {-1.3 * s:.1f}z",
            "cross": f"M{x - s:.1f} {y - s:.1f}l{2 * s:g} {2 * s:g}"
            f"m0 {-2 * s:g}l{-2 * s:g} {2 * s:g}",
            "plus": f"M{x:.1f} {y - 1.2 * s:.1f}v{2.4 * s:.1f}m{-1.2 * s:.1f} {-1.2 * s:.1f}"
            f"h{2.4 * s:.1f}",
        }
        if kind == "circle":
            self._parts.append(
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{s:g}" fill="{fill}" stroke="{colour}"/>'
            )
        else:
            open_shape = kind in ("cross", "plus")
            self._parts.append(
                f'<path d="{shapes[kind]}" fill="{"none" if open_shape else fill}"'
                f' stroke="{colour}" stroke-width="{1.5 if open_shape else 1:g}"/>'
            )

    def inside(self) -> str:
        """What is drawn, without the canvas."""
        return "".join(self._parts)

    def svg(self) -> str:
        """The drawing as an element of a page."""
        return f"<svg {self._frame()}>{self.inside()}</svg>"

    def file_text(self) -> str:
        """The drawing as a file of its own, as wide as its window.

        On a large screen it is no wider than SCREEN times its own size; a telephone is told by its
        device, since its window says that it is 980 px wide.
        """
        width, height = f"{self.width:g}", f"{self.height:g}"
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" {self._frame()} width="{width}"'
            f' height="{height}" font-family="system-ui, sans-serif">'
            "<style>svg{width:100%;height:auto;display:block;margin:auto}"
            f"@media (min-device-width:700px){{svg{{max-width:{SCREEN * self.width:g}px}}}}</style>"
            f'<rect width="{width}" height="{height}" fill="{PAPER}"/>{self.inside()}</svg>\n'
        )

    def _frame(self) -> str:
        name = escape(self._title, quote=True)
        return f'viewBox="0 0 {self.width:g} {self.height:g}" role="img" aria-label="{name}"'


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round values between two others, about so many."""
    if not high > low:
        return [low]
    raw = (high - low) / about
    power = 10.0 ** floor(log10(raw))
    step = next(power * part for part in (1.0, 2.0, 5.0, 10.0) if power * part >= raw)
    first, last = ceil(low / step - 1e-9), floor(high / step + 1e-9)
    return [number * step for number in range(first, last + 1)]


def tick_text(value: float, step: float) -> str:
    """A tick's value with as many decimals as its step has."""
    decimals = max(0, -floor(log10(step) + 1e-9)) if step > 0 else 0
    return f"{value + 0.0:.{decimals}f}".replace("-", "−")


def _dashed(dash: str) -> str:
    return f' stroke-dasharray="{dash}"' if dash else ""
