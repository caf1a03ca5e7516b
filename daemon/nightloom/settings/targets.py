"""targets.toml: what to image, and in which proportion."""

from typing import Any, ClassVar, Literal

from pydantic import Field, model_validator

from nightloom.settings.table import Table


def read_angle(text: str, unit: str) -> float | None:
    """Degrees of an angle such as "05h35m17s"; None when it is no angle.

    `unit` is that of a text without letters, such as "05:35:17": "hourangle" or "deg".
    """
    # Imported here because it takes longer than all the rest of a command that needs no angle.
    from astropy.coordinates import Angle
    from astropy.units import UnitsError

    try:
        return float(Angle(text, unit=unit).deg)
    except (ValueError, UnitsError):  # astropy's parse errors all derive from these two
        return None


class Sub(Table):
    """The subs of one filter."""

    share: int = Field(default=1, ge=1, le=100, description="subs of this filter in one cycle")
    exposure_s: float = Field(gt=0, le=7200, description="length of one sub")
    wanted_hours: float | None = Field(
        default=None, gt=0, description="accepted hours after which this filter is complete"
    )


class TargetDither(Table):
    """A target's own dither, where it differs from the policy."""

    radius_px: float | None = Field(
        default=None, gt=0, description="farthest dither from the centre"
    )
    least_px: float | None = Field(
        default=None, ge=0, description="shortest step between two pointings"
    )


class Target(Table):
    """One object and the subs asked of it. Coordinates are ICRS, as good as J2000 here."""

    hints: ClassVar[dict[str, str]] = {
        "ra": 'must be text such as "05h35m17s", or write ra_deg as a number in degrees',
        "dec": 'must be text such as "-05d23m28s", or write dec_deg as a number in degrees',
    }

    name: str = Field(min_length=1, description="name of the object")
    ra_deg: float = Field(ge=0, lt=360, description="right ascension")
    dec_deg: float = Field(ge=-90, le=90, description="declination")
    equinox: Literal["J2000"] = Field(default="J2000", description="equinox of the coordinates")
    priority: int = Field(default=1, ge=1, le=99, description="1 goes first")
    altitude_floor_deg: float = Field(
        default=30.0,
        ge=0,
        lt=90,
        description="lowest altitude at which this target is worth imaging",
    )
    filters: dict[str, Sub] = Field(
        validation_alias="filter", min_length=1, description="one table for each filter asked"
    )
    dither: TargetDither = Field(
        default_factory=TargetDither, description="dither of this target alone"
    )

    @model_validator(mode="before")
    @classmethod
    def _angles_from_text(cls, table: Any) -> Any:
        """Turn `ra` and `dec` texts into degrees; what does not parse stays, to be reported."""
        if not isinstance(table, dict):
            return table
        read = dict(table)
        for key, unit, low, high in (("ra", "hourangle", 0, 360), ("dec", "deg", -90, 90)):
            text = read.get(key)
            degrees = read_angle(text, unit) if isinstance(text, str) else None
            if degrees is not None and low <= degrees <= high and f"{key}_deg" not in read:
                read[f"{key}_deg"] = degrees
                del read[key]
        return read

    @property
    def cycle_s(self) -> float:
        """Exposure of one whole cycle, in seconds."""
        return sum(sub.share * sub.exposure_s for sub in self.filters.values())


class Targets(Table):
    """targets.toml as a whole."""

    targets: tuple[Target, ...] = Field(
        validation_alias="target", min_length=1, description="one [[target]] table for each"
    )

    def named(self, name: str) -> Target:
        """The target of that name. Raises KeyError when there is none."""
        for target in self.targets:
            if target.name == name:
                return target
        raise KeyError(name)
