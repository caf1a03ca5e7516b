"""Through which filter stars are looked at, for focus and for where the telescope points."""

from nightloom.settings import Observatory

NARROW_NM = 30.0
"""Narrowband filters pass 3 to 12 nm, colour filters 80 to 100 nm (common practice, no source)."""


def star_filter(observatory: Observatory, taken: str, asked: str | None = None) -> str:
    """The filter that is asked for; left open, that which subs are taken with, or for a narrow one
    the broadest in the wheel: its offset is known, and a curve through it takes a minute.
    """
    if asked is not None:
        return asked
    widths_nm = {
        name: width_nm
        for name in observatory.wheel.slots
        if name in observatory.filters
        and not observatory.filters[name].blind
        and (width_nm := observatory.filters[name].bandwidth_nm)
    }
    if widths_nm.get(taken, NARROW_NM) >= NARROW_NM:
        return taken
    return max(widths_nm, key=widths_nm.__getitem__)
