"""The [calibration] table of policies.toml: which darks, biases and flats are kept, and how."""

from typing import Literal, Self

from pydantic import Field, field_validator, model_validator

from nightloom.settings.table import Table

Kind = Literal["bias", "dark", "flat"]


class CalibrationPolicy(Table):
    """Frames without a target that lights are calibrated with."""

    night_takes: tuple[Kind, ...] = Field(
        default=(),
        description="what a night takes by itself of what its lights lack: bias, dark, flat; after"
        " it has parked and closed, while it shelters, and under cloud if the camera is dark",
    )
    flats_of: Literal["panel", "sky"] = Field(
        default="panel",
        description='what flats are of: the "panel", or the "sky" in morning twilight, for which'
        " the roof opens once more",
    )
    biases: int = Field(default=30, ge=0, le=1000, description="biases wanted of each kind")
    darks: int = Field(default=20, ge=0, le=1000, description="darks wanted of each kind")
    flats: int = Field(default=20, ge=0, le=1000, description="flats wanted in each filter")
    bias_days: float = Field(
        default=180.0, gt=0, description="age in days above which biases are too old"
    )
    dark_days: float = Field(
        default=180.0, gt=0, description="age in days above which darks are too old"
    )
    flat_days: float = Field(
        default=14.0, gt=0, description="age in days above which flats are too old: dust moves"
    )
    temperature_tolerance_c: float = Field(
        default=1.0, gt=0, le=10, description="difference of sensor temperature that darks bear"
    )
    rotation_tolerance_deg: float = Field(
        default=2.0,
        gt=0,
        le=90,
        description="turn of the camera that flats bear, where it is known",
    )
    leak_adu: float = Field(
        default=15.0,
        gt=0,
        description="median of a dark above that of biases from which it is taken for light that"
        " leaks in, and refused",
    )
    flat_level_fraction: float = Field(
        default=0.4, ge=0.05, le=0.8, description="level of flats, in parts of saturation"
    )
    flat_minimum_s: float = Field(default=0.5, ge=0, le=60, description="shortest flat")
    flat_maximum_s: float = Field(default=120.0, gt=0, le=600, description="longest flat")
    after_night_max_s: float = Field(
        default=10800.0, gt=0, description="longest time for all of it after a night"
    )

    @field_validator("night_takes")
    @classmethod
    def _each_once(cls, kinds: tuple[Kind, ...]) -> tuple[Kind, ...]:
        if len(set(kinds)) < len(kinds):
            raise ValueError("must name each kind once")
        return kinds

    @model_validator(mode="after")
    def _room(self) -> Self:
        if self.flat_minimum_s >= self.flat_maximum_s:
            raise ValueError("must have flat_minimum_s below flat_maximum_s")
        return self
