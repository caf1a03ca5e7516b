"""What pictures in files of their own have in common: PNG, SVG or PDF, by matplotlib.

The report's drawings are in `report/svg.py`: they live in a page and need no rasteriser.
"""

from pathlib import Path

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from nightloom.errors import BadInput

DOTS_PER_INCH = 120


def blank(width_in: float, height_in: float, paper: str, *, fitted: bool = True) -> Figure:
    """An empty figure; `fitted` has its parts make room for each other."""
    size = (width_in, height_in)
    figure = Figure(figsize=size, facecolor=paper, layout="constrained" if fitted else None)
    FigureCanvasAgg(figure)
    return figure


def save(figure: Figure, file: Path, named: str) -> None:
    """Write a figure in the format of the file's name; `named` is what a person calls it.

    Raises BadInput when it cannot be written.
    """
    try:
        figure.savefig(file, dpi=DOTS_PER_INCH)
    except (OSError, ValueError) as error:
        raise BadInput(f"{named} cannot be written: {error}.") from None
