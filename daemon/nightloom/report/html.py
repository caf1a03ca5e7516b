"""A few pieces of HTML; whatever is a text of others is escaped here."""

import base64
from collections.abc import Iterable, Sequence
from html import escape

from nightloom.drawing.svg import Canvas


def element(name: str, inside: str, kind: str = "") -> str:
    """An element around HTML."""
    return f"<{name}{_class(kind)}>{inside}</{name}>"


def words(name: str, text: str, kind: str = "") -> str:
    """An element around a text."""
    return element(name, escape(text), kind)


def section(title: str, *parts: str, kind: str = "") -> str:
    """A part of the page under its title; nothing where there are no parts."""
    inside = "".join(parts)
    return element("section", words("h2", title) + inside, kind) if inside else ""


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], numbers: Iterable[int] = ()) -> str:
    """A table of texts; `numbers` are the columns that are aligned right."""
    right = set(numbers)

    def cells(row: Sequence[str], name: str) -> str:
        return "".join(
            words(name, cell, "number" if place in right else "") for place, cell in enumerate(row)
        )

    body = "".join(element("tr", cells(row, "td")) for row in rows)
    head = element("thead", element("tr", cells(heads, "th")))
    return element("table", head + element("tbody", body))


def figure(canvas: Canvas, caption: str = "") -> str:
    """A drawing."""
    return element("figure", canvas.svg() + (words("figcaption", caption) if caption else ""))


def picture(png: bytes, name: str, caption: str, kind: str = "") -> str:
    """A PNG inside the page."""
    data = base64.b64encode(png).decode("ascii")
    image = f'<img alt="{escape(name, quote=True)}" src="data:image/png;base64,{data}">'
    return element("figure", image + words("figcaption", caption), kind)


def _class(kind: str) -> str:
    return f' class="{kind}"' if kind else ""
