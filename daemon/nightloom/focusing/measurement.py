"""A position of best focus, as one curve or check found it."""

from dataclasses import dataclass


@dataclass(frozen=True)
class FocusMeasurement:
    """Best focus as an accepted curve found it, or a check that was clear.

    Without a temperature it takes that of its session's others.
    """

    session: str
    filter: str
    at_h: float
    vertex_steps: float
    error_steps: float
    temperature_c: float | None = None
    check: bool = False
