"""Where a drawing's words, curves and marks lie, read from its SVG."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from xml.etree import ElementTree

import numpy as np

from nightloom.drawing.letters import width_px
from nightloom.drawing.svg import GRID

SVG = "{http://www.w3.org/2000/svg}"

UP, DOWN = 0.74, 0.22
"""How far letters reach above and below their line, in heights."""

STEP = 1.0
"""Between the points of a curve that are looked at."""


@dataclass(frozen=True)
class Box:
    """A box about words."""

    words: str
    left: float
    right: float
    top: float
    bottom: float

    def meets(self, other: "Box") -> bool:
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )

    def holds(self, points: np.ndarray) -> bool:
        """Whether any of (n, 2) points lies within."""
        x, y = points[:, 0], points[:, 1]
        inside = (x > self.left) & (x < self.right) & (y > self.top) & (y < self.bottom)
        return bool(inside.any())


@dataclass(frozen=True, eq=False)
class Drawn:
    """What is on a sheet."""

    width: float
    height: float
    words: list[Box]
    curves: list[tuple[str, np.ndarray]]
    """Colour and points of each curve, straight line and mark but for the grid's lines."""


def drawn(svg: str) -> Drawn:
    """Read a drawing that is a file of its own."""
    root = ElementTree.fromstring(svg)
    words: list[Box] = []
    curves: list[tuple[str, np.ndarray]] = []
    for part, x0, y0 in _parts(root, 0.0, 0.0):
        name = part.tag.removeprefix(SVG)
        if name == "text":
            words.append(_box(part, x0, y0))
        elif (points := _points(name, part)) is not None and part.get("stroke") != GRID:
            curves.append((part.get("stroke", ""), points + np.array([x0, y0])))
    return Drawn(float(root.get("width", "")), float(root.get("height", "")), words, curves)


def meetings(sheet: Drawn) -> Iterator[str]:
    """Words that lie on other words, on a curve or a mark, or stick out of the sheet."""
    for number, one in enumerate(sheet.words):
        if not (one.left >= 0 and one.right <= sheet.width):
            yield f"{one.words} sticks out"
        if not (one.top >= 0 and one.bottom <= sheet.height):
            yield f"{one.words} sticks out"
        for other in sheet.words[number + 1 :]:
            if one.meets(other):
                yield f"{one.words} and {other.words}"
        for colour, points in sheet.curves:
            if one.holds(points):
                yield f"{one.words} and a curve in {colour}"


def _parts(
    root: ElementTree.Element, x0: float, y0: float
) -> Iterator[tuple[ElementTree.Element, float, float]]:
    for part in root:
        moved = re.fullmatch(r"translate\((\S+) (\S+)\)", part.get("transform", ""))
        x, y = (float(moved[1]), float(moved[2])) if moved else (0.0, 0.0)
        yield part, x0 + x, y0 + y
        yield from _parts(part, x0 + x, y0 + y)


def _box(part: ElementTree.Element, x0: float, y0: float) -> Box:
    said, size = part.text or "", float(part.get("font-size", ""))
    width = width_px(said, size, bold=part.get("font-weight") == "bold")
    x, y = x0 + float(part.get("x", "")), y0 + float(part.get("y", ""))
    left = x - width * {"start": 0.0, "middle": 0.5, "end": 1.0}[part.get("text-anchor", "start")]
    return Box(said, left, left + width, y - UP * size, y + DOWN * size)


def _points(name: str, part: ElementTree.Element) -> np.ndarray | None:
    """Points along a curve, a line, or a mark."""
    if name == "line":
        ends = [[float(part.get(f"{axis}{end}", "")) for axis in "xy"] for end in "12"]
        return _along(np.array(ends))
    if name == "circle":
        return np.array([[float(part.get("cx", "")), float(part.get("cy", ""))]])
    if name == "path" and part.get("fill") == "none" and "L" in part.get("d", ""):
        strokes = [
            re.findall(r"(-?[\d.]+) (-?[\d.]+)", one) for one in part.get("d", "").split("M")
        ]
        return np.concatenate([_along(np.array(one, float)) for one in strokes if one])
    if name == "path":
        start = re.match(r"M(-?[\d.]+) (-?[\d.]+)", part.get("d", ""))
        return np.array([[float(start[1]), float(start[2])]]) if start else None
    return None


def _along(corners: np.ndarray) -> np.ndarray:
    """Points at most STEP apart along a broken line through (n, 2) corners."""
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.linspace(0.0, way[-1], max(2, int(way[-1] / STEP) + 2))
    return np.column_stack([np.interp(at, way, corners[:, axis]) for axis in (0, 1)])
