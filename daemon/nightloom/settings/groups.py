"""The subs asked of a target: filters, in groups by the sky they are taken under."""

from collections.abc import Mapping
from math import inf
from typing import Literal, Self

from pydantic import Field, field_validator, model_validator

from nightloom.cycle import Cycle, Share
from nightloom.settings.policies import DitherPolicy
from nightloom.settings.table import Table

NOTHING: Mapping[str, float] = {}


class AskedSub(Table):
    """The subs of one filter."""

    share: int = Field(default=1, ge=1, le=100, description="subs of this filter in one cycle")
    exposure_s: float = Field(gt=0, le=7200, description="length of one sub")
    wanted_hours: float | None = Field(
        default=None, gt=0, description="accepted hours after which this filter is complete"
    )
    maximum_hours: float | None = Field(
        default=None,
        gt=0,
        le=24,
        description="accepted hours after which a night leaves this filter",
    )

    def left_s(self, accepted_s: float, tonight_s: float = 0.0) -> float:
        """What may still be accepted of it tonight, without end where nothing limits it."""
        whole = inf if self.wanted_hours is None else 3600.0 * self.wanted_hours - accepted_s
        nightly = inf if self.maximum_hours is None else 3600.0 * self.maximum_hours - tonight_s
        return max(0.0, min(whole, nightly))


Sky = Literal["dark", "moonlit", "twilit"]
SKIES: tuple[Sky, ...] = ("dark", "moonlit", "twilit")
"""Every moment of a night has one of them."""


class Group(Table):
    """Filters that are taken in turn, and the sky they are taken under."""

    name: str = Field(default="", description="name of the group, for tables and pictures")
    filters: dict[str, AskedSub] = Field(
        validation_alias="filter", min_length=1, description="one table for each filter asked"
    )
    sky: tuple[Sky, ...] = Field(
        default=SKIES,
        min_length=1,
        description="skies under which they are taken: dark, with neither Sun nor Moon; moonlit,"
        " with the Moon's upper edge above 0°; twilit, with the Sun above the policy's altitude for"
        " the dark and below sun_altitude_deg",
    )
    maximum_moonlight_ratio: float | None = Field(
        default=None,
        gt=1,
        le=100,
        description="sky at the target with the Moon over sky without up to which these filters are"
        " taken; left out, the target's",
    )
    sun_altitude_deg: float | None = Field(
        default=None,
        ge=-30,
        le=0,
        description="altitude of the Sun below which it is dark enough; left out, the policy's",
    )

    @field_validator("sky", mode="before")
    @classmethod
    def _as_tuple(cls, skies: object) -> object:
        return tuple(skies) if isinstance(skies, list) else skies

    @model_validator(mode="after")
    def _says_which_twilight(self) -> Self:
        if self.sky != SKIES and "twilit" in self.sky and self.sun_altitude_deg is None:
            raise ValueError(
                "must say with sun_altitude_deg how bright the twilight of a twilit sky may be"
            )
        return self

    @property
    def label(self) -> str:
        """Its name, or its filters where it has none."""
        return self.name or " ".join(self.filters)

    @property
    def cycle_s(self) -> float:
        """Exposure of one whole cycle, in seconds."""
        return sum(sub.share * sub.exposure_s for sub in self.filters.values())

    def lacking(
        self, accepted_s: Mapping[str, float], tonight_s: Mapping[str, float] = NOTHING
    ) -> dict[str, AskedSub]:
        """The filters that have neither their wanted hours nor those of a night; where there are
        none, they never do.
        """
        return {
            name: sub
            for name, sub in self.filters.items()
            if sub.left_s(accepted_s.get(name, 0.0), tonight_s.get(name, 0.0)) > 0
        }


def cycle_of(filters: Mapping[str, AskedSub], dither: DitherPolicy | None = None) -> Cycle:
    """The cycle of some filters; without a policy for dithers each sub has a pointing of its own,
    which only matters where a cycle is woven or gone through.
    """
    return Cycle(
        tuple(
            Share(
                name,
                sub.share,
                sub.exposure_s,
                1 if dither is None else dither.room(sub.exposure_s),
            )
            for name, sub in filters.items()
        )
    )
