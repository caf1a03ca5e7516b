"""The times in a frame's header, held against what was asked and against one's own clock."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from nightloom_drivers.devices.fits_image import FitsImage
from nightloom_drivers.frame_kind import FrameKind


@dataclass(frozen=True)
class AskedTimes:
    """When an exposure was asked for, and how long it is to be.

    `allowed_s` is how far a frame's DATE-OBS may lie outside it, None for anywhere.
    """

    at: datetime
    exposure_s: float
    kind: FrameKind
    allowed_s: float | None

    @property
    def tolerance_s(self) -> float:
        """So far a header's EXPTIME may be off."""
        return max(0.02, 0.01 * self.exposure_s)

    def other_than(self, image: FitsImage, now: datetime) -> str:
        """What the header says that is not of this exposure, or an empty text.

        A bias is as short as its camera can: its length says nothing.
        """
        problems = []
        exposed_s, start = image.number("EXPTIME"), image.start()
        if exposed_s is None or self.kind is FrameKind.BIAS:
            exposed_s = self.exposure_s
        if abs(exposed_s - self.exposure_s) > self.tolerance_s:
            problems.append(f"its EXPTIME is {exposed_s:g} s, not {self.exposure_s:g} s")
        if start is not None and self.allowed_s is not None:
            off_s = max((self.at - start).total_seconds(), (start - now).total_seconds())
            if off_s > self.allowed_s:
                problems.append(f"its DATE-OBS is {start:%H:%M:%S.%f}, asked {self.at:%H:%M:%S.%f}")
        return ", ".join(problems)

    def yet_to_end(self, image: FitsImage, now: datetime) -> str:
        """Says so when an exposure of this start would not be over yet, or an empty text."""
        start = image.start()
        if start is None or self.allowed_s is None:
            return ""
        end = start + timedelta(seconds=self.exposure_s)
        if (end - now).total_seconds() <= self.allowed_s:
            return ""
        return f"with DATE-OBS {start:%H:%M:%S.%f} it would end at {end:%H:%M:%S}, in the future"
