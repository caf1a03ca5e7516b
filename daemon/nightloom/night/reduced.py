"""What a target asks, as far as a rig that lacks something can give it. Plain functions."""

from collections.abc import Mapping

from nightloom.settings import AskedSub


def reduced(
    filters: Mapping[str, AskedSub], only: str | None, longest_s: float | None
) -> dict[str, AskedSub]:
    """The filters that can be taken, with subs no longer than `longest_s`.

    All subs are shortened by one factor, so that the filters keep their proportion. Empty when the
    filter that the wheel is stuck in is none of them.
    """
    left = {name: sub for name, sub in filters.items() if only in (None, name)}
    most_s = max((sub.exposure_s for sub in filters.values()), default=0.0)
    if longest_s is None or most_s <= longest_s:
        return left
    return {
        name: sub.model_copy(update={"exposure_s": sub.exposure_s * longest_s / most_s})
        for name, sub in left.items()
    }
