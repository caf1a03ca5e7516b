"""The common ground of every settings model: frozen, strict, and closed to unknown keys."""

from typing import ClassVar

from pydantic import BaseModel, ConfigDict


class Table(BaseModel):
    """One table of a settings file; a key's last word is its unit."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        strict=True,
        allow_inf_nan=False,
        populate_by_name=True,
        validate_default=True,
    )

    hints: ClassVar[dict[str, str]] = {}
    """What to write instead of a key that is often tried, where its spelling alone won't tell."""
