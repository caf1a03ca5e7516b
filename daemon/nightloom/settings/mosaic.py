"""Mosaics: a target that is larger than a frame, as panels that each are a target of their own.

A panel has the mosaic's name and its number in its own name, so that whatever is kept of a target,
from its frames to its reference stars, is kept of a panel; what is planned is the mosaic.
"""

import math
from collections.abc import Iterator
from typing import Self

from pydantic import Field, model_validator

from nightloom.settings.coordinates import in_j2000, with_angles
from nightloom.settings.observatory import Observatory
from nightloom.settings.problems import Problem
from nightloom.settings.table import Table

Degrees = tuple[float, float]


class PanelPlace(Table):
    """The middle of a panel, of the equinox of its target."""

    ra_deg: float = Field(ge=0, lt=360, description="right ascension")
    dec_deg: float = Field(ge=-90, le=90, description="declination")


class Mosaic(Table):
    """Panels beside each other: a grid about the target's coordinates, or places one by one."""

    columns: int = Field(default=1, ge=1, le=20, description="panels beside each other")
    rows: int = Field(default=1, ge=1, le=20, description="panels above each other")
    overlap_percent: float = Field(
        default=15.0,
        ge=0,
        le=90,
        description="part of a frame that two neighbours share, at the least",
    )
    angle_deg: float = Field(
        default=0.0,
        ge=-360,
        le=360,
        description="position angle of the frames' up, from north through east",
    )
    field_width_deg: float | None = Field(
        default=None,
        gt=0,
        le=30,
        description="width of a frame; left out, by optics.focal_length_mm and the camera's"
        " width_px and pixel_um",
    )
    field_height_deg: float | None = Field(
        default=None, gt=0, le=30, description="height of a frame; left out, in the same way"
    )
    visit_s: float = Field(
        default=1800.0,
        ge=0,
        le=36000,
        description="exposed seconds, rounded up to whole cycles, by which a panel may be ahead of"
        " the others before they are gone to",
    )
    places: tuple[PanelPlace, ...] = Field(
        default=(),
        validation_alias="panel",
        description="one table for each panel, in place of a grid",
    )

    @model_validator(mode="before")
    @classmethod
    def _angles(cls, table: object) -> object:
        return spelled_out(table) if isinstance(table, dict) else table

    @model_validator(mode="after")
    def _some_panels(self) -> Self:
        if bool(self.places) == (self.columns * self.rows > 1):
            raise ValueError(
                "must have several columns or rows, or else [[target.mosaic.panel]] tables"
            )
        return self


def spelled_out(table: dict[str, object], equinox: object = "J2000") -> dict[str, object]:
    """A mosaic's table with the places of its panels in degrees of J2000; what cannot be read
    stays as it is.
    """
    places = table.get("panel")
    if not isinstance(places, list | tuple):
        return table
    return table | {"panel": tuple(_place(one, equinox) for one in places)}


def _place(place: object, equinox: object) -> object:
    if not isinstance(place, dict):
        return place
    told = in_j2000(with_angles(place) | {"equinox": equinox})
    return {key: value for key, value in told.items() if key != "equinox"}


def field_deg(mosaic: Mosaic, observatory: Observatory) -> Degrees | None:
    """Width and height of a frame in degrees; None where too little is known."""
    camera, optics = observatory.camera, observatory.optics
    sizes = []
    for said_deg, pixels in (
        (mosaic.field_width_deg, camera.width_px),
        (mosaic.field_height_deg, camera.height_px),
    ):
        if said_deg is not None:
            sizes.append(said_deg)
        elif pixels is not None and camera.pixel_um is not None:
            half = pixels * camera.pixel_um / 2000.0 / optics.focal_length_mm
            sizes.append(2.0 * math.degrees(math.atan(half)))
    return (sizes[0], sizes[1]) if len(sizes) == 2 else None


def centres(mosaic: Mosaic, centre: Degrees, field: Degrees) -> list[Degrees]:
    """The middles of the panels in ICRS degrees: row by row from the top, each from the left.

    A grid lies along two great circles through the centre: rows as far apart along the one as their
    overlap leaves, columns along the other, and no further in other rows.
    """
    if mosaic.places:
        return [(one.ra_deg, one.dec_deg) for one in mosaic.places]
    step_x, step_y = (size * (1.0 - mosaic.overlap_percent / 100.0) for size in field)
    return [
        _offset(
            centre,
            ((mosaic.columns - 1) / 2 - column) * step_x,
            ((mosaic.rows - 1) / 2 - row) * step_y,
            mosaic.angle_deg,
        )
        for row in range(mosaic.rows)
        for column in range(mosaic.columns)
    ]


def _offset(centre: Degrees, left_deg: float, up_deg: float, angle_deg: float) -> Degrees:
    """The place that is so far up from where it is so far left of a centre, with up turned from
    north through east by an angle.
    """
    ra, dec = map(math.radians, centre)
    left, up, angle = map(math.radians, (left_deg, up_deg, angle_deg))
    ahead = (math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec))
    east = (-math.sin(ra), math.cos(ra), 0.0)
    north = (-math.sin(dec) * math.cos(ra), -math.sin(dec) * math.sin(ra), math.cos(dec))
    x, y, z = (
        math.cos(up) * math.cos(left) * a
        + (math.cos(up) * math.sin(left) * math.cos(angle) + math.sin(up) * math.sin(angle)) * e
        + (math.sin(up) * math.cos(angle) - math.cos(up) * math.sin(left) * math.sin(angle)) * n
        for a, e, n in zip(ahead, east, north, strict=True)
    )
    ra_deg = math.degrees(math.atan2(y, x)) % 360.0
    return ra_deg, math.degrees(math.atan2(z, math.hypot(x, y)))


def without_field(name: str, mosaic: Mosaic, observatory: Observatory) -> Iterator[Problem]:
    """What to write where the size of a frame is not known, for a grid."""
    if not mosaic.places and field_deg(mosaic, observatory) is None:
        yield Problem(
            "targets.toml",
            f'target["{name}"].mosaic',
            f"{mosaic.columns} by {mosaic.rows}",
            "needs the size of a frame: write field_width_deg and field_height_deg, or width_px,"
            " height_px and pixel_um of the camera in observatory.toml",
        )
