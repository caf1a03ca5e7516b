"""What the ledger's focus curves and checks teach about this rig's filters."""

from nightloom.focusing import (
    FocusMeasurement,
    Offset,
    Offsets,
    Trust,
    critical_focus_zone_um,
    learn_offsets,
)
from nightloom.ledger import Check, Curve, Ledger
from nightloom.settings.observatory import Observatory

NIGHTS = 60
"""So many of the latest nights teach: rigs are taken apart, and more take seconds to learn."""

DISPROVED, KNOWN_ZONES = 5.0, 0.5
"""Standard errors by which an offset that was seen once must differ from the configured one to be
better than it, and the largest of these errors."""


def zone_steps(observatory: Observatory, filter_name: str) -> float:
    """Full width of the critical focus zone with a filter, in steps of the focuser."""
    wavelength_nm = observatory.filters[filter_name].wavelength_nm
    zone_um = critical_focus_zone_um(wavelength_nm, observatory.optics.focal_ratio)
    return zone_um / observatory.focuser.step_um


def sightings(ledger: Ledger) -> list[FocusMeasurement]:
    """Accepted curves and clear checks of the latest nights; each night has a base of its own."""
    found: list[Curve | Check] = [curve for curve in ledger.curves() if curve.accepted]
    found += [check for check in ledger.checks() if check.outcome != "unclear"]
    nights = sorted({one.night for one in found})[-NIGHTS:]
    return [
        FocusMeasurement(
            session=one.night,
            filter=one.filter,
            at_h=one.taken_utc.timestamp() / 3600.0,
            vertex_steps=one.vertex_steps,
            error_steps=one.error_steps,
            temperature_c=one.temperature_c,
            check=isinstance(one, Check),
        )
        for one in found
        if one.night in nights and one.vertex_steps is not None and one.error_steps is not None
    ]


def learned_offsets(ledger: Ledger, observatory: Observatory) -> Offsets | None:
    """The offsets that all curves and checks of the ledger agree on; None without one."""
    seen = [one for one in sightings(ledger) if one.filter in observatory.filters]
    if not seen:
        return None
    return learn_offsets(
        seen, {name: zone_steps(observatory, name) for name in observatory.filters}
    )


def adopted_offsets(learned: Offsets | None, observatory: Observatory) -> dict[str, float]:
    """The offsets to go by: learned ones that are good, and the configured ones besides.

    Learned ones are counted from their reference filter, whose configured offset stays.
    """
    configured = {name: float(f.offset_steps) for name, f in observatory.filters.items()}
    if learned is None:
        return configured
    origin = configured[learned.reference]
    return configured | {
        name: origin + learned.offsets[name].steps for name in taken_up(learned, observatory)
    }


def taken_up(learned: Offsets, observatory: Observatory) -> list[str]:
    """Filters whose learned offset is gone by: it is good, or was seen once and is so far from the
    configured one that this one is wrong.
    """
    origin = observatory.filters[learned.reference].offset_steps

    def disproved(one: Offset) -> bool:
        said_steps = observatory.filters[one.filter].offset_steps - origin
        known = one.error_steps <= KNOWN_ZONES * zone_steps(observatory, one.filter)
        return known and abs(one.steps - said_steps) > DISPROVED * one.error_steps

    return [
        name
        for name, one in learned.offsets.items()
        if one.trust is Trust.GOOD or (one.trust is Trust.THIN and disproved(one))
    ]


def adopted_slope(learned: Offsets | None, observatory: Observatory) -> float:
    """The temperature slope to go by: the learned one once it is known, in steps for each °C."""
    if learned is not None and learned.slope_known:
        return learned.slope_steps_per_c
    return observatory.focuser.slope_steps_per_c
