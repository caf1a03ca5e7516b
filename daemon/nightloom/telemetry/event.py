"""What every event of the log has in common."""

import re
from typing import ClassVar, Literal

from pydantic import BaseModel, ConfigDict

Level = Literal["info", "warning", "error"]


class Event(BaseModel):
    """Something that happened, or was decided, with what a reader needs to understand it.

    The log's name of an event is its class's in small letters: `SubBegun` is `sub_begun`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    level: ClassVar[Level] = "info"

    @classmethod
    def name(cls) -> str:
        """The event's name in the log."""
        return re.sub(r"(?<!^)(?=[A-Z])", "_", cls.__name__).lower()

    def fields(self) -> dict[str, object]:
        """The event's own fields in the order in which its class lists them."""
        return {name: getattr(self, name) for name in type(self).model_fields}
