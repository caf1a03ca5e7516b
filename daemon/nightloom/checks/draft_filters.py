"""The filters of a drafted configuration, as far as their names tell what they are. Pure."""

import re
from collections.abc import Iterator, Sequence

from nightloom.checks.looking import Offered
from nightloom.checks.plausible import BLIND_NAMES
from nightloom.checks.toml_text import FILL_IN, GUESS, asked, key_of, section, stated
from nightloom.settings.observatory import Filter

LUMINANCE, RED, GREEN, BLUE = (550.0, 300.0), (640.0, 100.0), (535.0, 90.0), (455.0, 100.0)
"""Middle and width of the pass bands in nanometres (common practice, no source)."""

NARROW_NM = 6.0
"""Narrow filters are 3 to 12 nm wide (common practice, no source)."""

KNOWN = {
    **dict.fromkeys(("l", "lum", "luminance", "clear", "c"), LUMINANCE),
    **dict.fromkeys(("r", "red"), RED),
    **dict.fromkeys(("g", "green"), GREEN),
    **dict.fromkeys(("b", "blue"), BLUE),
    **dict.fromkeys(("ha", "halpha", "hα"), (656.3, NARROW_NM)),
    **dict.fromkeys(("hb", "hbeta", "hβ"), (486.1, NARROW_NM)),
    **dict.fromkeys(("oiii", "o3"), (500.7, NARROW_NM)),
    **dict.fromkeys(("nii", "n2"), (658.4, NARROW_NM)),
    **dict.fromkeys(("sii", "s2"), (672.4, NARROW_NM)),
}
"""What filters of a name let through; the lines' wavelengths are in air, from memory."""

UNNAMED = "slot"
"""What a slot without a name is called, with its number."""

UNKNOWN = ("offset_steps = 0", "wavelength_nm = 550")

SLOTS_MAX = 32
"""A driver that states more has not asked its wheel yet."""


def slot_names(wheel: Offered | None) -> tuple[str, ...]:
    """The names of a wheel's slots in their order; none where it does not even count them.

    Those that are empty or come twice bear their number.
    """
    if wheel is None:
        return ()
    names = wheel.vectors.get("FILTER_NAME")
    slot = wheel.vectors.get("FILTER_SLOT")
    _, highest = slot.limits.get("FILTER_SLOT_VALUE", (0.0, 0.0)) if slot else (0.0, 0.0)
    told = [str(name).strip() for name in names.elements.values()] if names else []
    count = int(highest) if 1 <= highest <= SLOTS_MAX else len(told)
    told = [name or UNNAMED for name in (told + [""] * count)[:count]]
    return tuple(_apart(told))


def _apart(names: Sequence[str]) -> Iterator[str]:
    """The names, numbered where two would be the same or one says nothing."""
    plain = {name for name in names if names.count(name) == 1 and name != UNNAMED}
    taken = set(plain)
    for number, name in enumerate(names, 1):
        told = name
        while told not in plain and told in {*taken, UNNAMED, *names}:
            told = f"{told} {number}"
        taken.add(told)
        yield told


def filter_sections(slots: Sequence[str]) -> Iterator[str]:
    """A table for each filter; one that asks for them where no slot is known."""
    if not slots:
        lines = [f"# {FILL_IN}: one table for each slot of the wheel", "# [filter.NAME]"]
        yield "\n".join([*lines, *(f"# {line}" for line in UNKNOWN)])
    for name in slots:
        yield section(f"[filter.{key_of(name)}]", list(_lines(name)))


def _lines(name: str) -> Iterator[str]:
    yield stated(Filter, "offset_steps", 0, f"{GUESS}: nightloom offsets measure")
    known = KNOWN.get(re.sub(r"[\W_]+", "", name.casefold()))
    if name.casefold() in BLIND_NAMES:
        yield stated(Filter, "blind", True, f"{GUESS}, by its name")
        yield stated(Filter, "wavelength_nm", 550.0, "any will do")
    elif known is None:
        yield asked(Filter, "wavelength_nm")
    else:
        yield stated(Filter, "wavelength_nm", known[0], f"{GUESS}, by its name")
        yield stated(Filter, "bandwidth_nm", known[1], f"{GUESS}, by its name")
