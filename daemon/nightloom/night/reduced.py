"""What a target asks, as far as a rig that lacks something can give it. Plain functions."""

from collections.abc import Collection, Mapping

from nightloom.settings import AskedSub


def reduced(
    filters: Mapping[str, AskedSub], possible: Collection[str], longest_s: float | None
) -> dict[str, AskedSub]:
    """The filters that are possible, with subs no longer than `longest_s`.

    All subs are shortened by one factor, so that the filters keep their proportion.
    """
    left = {name: sub for name, sub in filters.items() if name in possible}
    most_s = max((sub.exposure_s for sub in filters.values()), default=0.0)
    if longest_s is None or most_s <= longest_s:
        return left
    return {
        name: sub.model_copy(update={"exposure_s": sub.exposure_s * longest_s / most_s})
        for name, sub in left.items()
    }
