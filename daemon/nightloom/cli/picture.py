"""Pictures in files of their own."""

from pathlib import Path

from nightloom.drawing.svg import Canvas
from nightloom.errors import BadInput


def save(drawn: Canvas, file: Path, option: str) -> None:
    """Write a drawing as SVG; `option` is what a person asked for it with. Raises BadInput."""
    if file.suffix != ".svg":
        raise BadInput(
            f"{option} {file} cannot be written: pictures are SVG, which any browser shows and"
            " prints; name a file that ends in .svg."
        )
    try:
        file.write_text(drawn.file_text(), encoding="utf-8")
    except OSError as error:
        raise BadInput(f"{option} {file} cannot be written: {error.strerror}.") from None
