"""Looks up what the library of calibration frames has for the lights, and what it lacks."""

from datetime import UTC, datetime

from nightloom.calibration_frames.library import in_words, kept_look, needs_of, rules_of
from nightloom.calibration_frames.needs import Kept, fits
from nightloom.ledger import Ledger
from nightloom.report.records import Shelf
from nightloom.settings import Settings
from nightloom.sky import Interval


def shelves_of(ledger: Ledger, settings: Settings, night: str, dark: Interval) -> tuple[Shelf, ...]:
    """What the lights ask for after a night; nothing for who keeps no such library here."""
    policy = settings.policies.calibration
    if not policy.night_takes and not ledger.calibration_frames():
        return ()
    kept = ledger.calibration_frames(night=night)
    tonight, rules = [Kept(one.kind, kept_look(one)) for one in kept], rules_of(policy)
    return tuple(
        Shelf(
            in_words(need),
            sum(fits(need, one, rules) for one in tonight),
            need.fresh,
            need.too_old,
            need.wanted,
            need.missing,
        )
        for need in needs_of(ledger, settings, datetime.fromtimestamp(dark.end_unix_s, UTC))
    )
