"""Where the focuser goes at a filter change."""

from collections.abc import Mapping


def position_for(
    filter_: str,
    focused_steps: float,
    focused_filter: str,
    offsets_steps: Mapping[str, float],
    slope_steps_per_c: float = 0.0,
    warmed_c: float = 0.0,
) -> int:
    """Position for a filter, from the last good focus of any filter.

    Focus + offset of this filter − offset of the focused one + slope × change of temperature since
    (`warmed_c`). Raises KeyError for a filter without an offset.
    """
    change_steps = offsets_steps[filter_] - offsets_steps[focused_filter]
    return round(focused_steps + change_steps + slope_steps_per_c * warmed_c)
