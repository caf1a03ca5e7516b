"""The sensors as the cameras' drivers told of them when the devices were last checked, on disk.

They stand beside the ledger, so that a rehearsal has the size of a rig whose configuration leaves
it out.
"""

import json
from collections.abc import Mapping
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from nightloom.settings.observatory import Camera, GuideCamera, Observatory

FILE_NAME = "sensors.json"


class SeenSensor(BaseModel):
    """An unbinned sensor, and whose it is: a device's main chip or its guide chip."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    device: str
    head: str
    width_px: int = Field(ge=16)
    height_px: int = Field(ge=16)
    pixel_um: float | None = Field(gt=0)

    def is_of(self, said: Camera | GuideCamera) -> bool:
        """Whether it is that of a section of the configuration."""
        return (self.device, self.head) == (said.device, head_of(said))


Seen = Mapping[str, SeenSensor]
"""By section of the configuration: camera, guide_camera."""

_SEEN = TypeAdapter(dict[str, SeenSensor])


def head_of(said: Camera | GuideCamera) -> str:
    """Which chip of its device a section means."""
    return said.head if isinstance(said, GuideCamera) else "main"


def cameras(observatory: Observatory) -> dict[str, Camera | GuideCamera]:
    """The sections of the configuration that have a sensor, by name."""
    return {"camera": observatory.camera, "guide_camera": observatory.guide_camera}


def seen_sensors(observatory: Observatory) -> Seen:
    """The sensors that were seen, of the devices that are configured now; none where nothing can be
    read.
    """
    try:
        kept = _SEEN.validate_json((observatory.output_folder / FILE_NAME).read_bytes())
    except (OSError, ValidationError):  # not written yet, or by hand: then it is as if unseen
        return {}
    said = cameras(observatory)
    return {name: one for name, one in kept.items() if name in said and one.is_of(said[name])}


def keep_sensors(folder: Path, seen: Seen) -> Path:
    """Write down the sensors that were seen, and return where. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / FILE_NAME
    rows = {name: one.model_dump() for name, one in seen.items()}
    file.write_text(json.dumps(rows, indent=2) + "\n")
    return file
