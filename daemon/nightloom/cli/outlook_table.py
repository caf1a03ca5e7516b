"""The tables of an outlook, in terminals of 80 columns and in pipes: no figure is lost."""

from rich import box
from rich.table import Table

WRAPPED = {"target", "filters", "mount"}
"""Columns that give way in a narrow terminal: a figure that is broken in two is no figure."""

WIDTHS = {"mount": 12, "target": 6, "filters": 7}
"""Characters that they keep."""


def outlook_table(title: str, *columns: str) -> Table:
    """An empty table with these columns."""
    table = Table(
        title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False
    )
    numbers = {
        "highest",
        "open",
        "has",
        "tonight",
        "worth",
        "wanted",
        "still missing",
        "from\nMoon",
    }
    for column in columns:
        table.add_column(
            column,
            justify="right" if column in numbers else "left",
            overflow="fold",
            no_wrap=column not in WRAPPED,
            min_width=WIDTHS.get(column),
        )
    return table
