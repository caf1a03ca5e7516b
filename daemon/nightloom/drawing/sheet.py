"""Drawings in a file of their own: a headline, words, drawings below each other, and a foot."""

from collections.abc import Sequence

from nightloom.drawing.letters import broken
from nightloom.drawing.plots import WIDTH
from nightloom.drawing.svg import FAINT, INK, Canvas

MARGIN, GAP = 14.0, 16.0
HEADLINE, WORDS, FOOT = 17.0, 13.0, 12.0
LINE = 1.35
"""From one line of a text to the next, in heights of its letters."""


def sheet(
    headline: str,
    words: Sequence[str],
    drawings: Sequence[Canvas],
    foot: Sequence[str] = (),
    columns: int = 1,
) -> Canvas:
    """Everything on one sheet, as wide as its columns; no line is longer than that."""
    inner = columns * WIDTH + (columns - 1) * GAP
    rows = [drawings[first : first + columns] for first in range(0, len(drawings), columns)]
    texts = [(HEADLINE, INK, [headline]), (WORDS, INK, words), (FOOT, FAINT, foot)]
    lines = [
        (
            size,
            colour,
            [line for one in each for line in broken(one, inner, size, bold=size == HEADLINE)],
        )
        for size, colour, each in texts
    ]
    height = (
        sum(LINE * size * len(each) for size, _, each in lines)
        + sum(max(one.height for one in row) + GAP for row in rows)
        + 2.0 * MARGIN
        + GAP
    )
    whole = Canvas(inner + 2.0 * MARGIN, height, headline)
    y = MARGIN
    for size, colour, each in lines[:2]:
        y = _written(whole, y, each, size, colour)
    y += GAP / 2.0
    for row in rows:
        for number, one in enumerate(row):
            whole.place(one, MARGIN + number * (WIDTH + GAP), y)
        y += max(one.height for one in row) + GAP
    _written(whole, y - GAP / 2.0, lines[2][2], FOOT, FAINT)
    return whole


def _written(whole: Canvas, y: float, lines: Sequence[str], size: float, colour: str) -> float:
    for line in lines:
        y += LINE * size
        whole.text(MARGIN, y - 0.3 * size, line, colour=colour, size=size, bold=size == HEADLINE)
    return y
