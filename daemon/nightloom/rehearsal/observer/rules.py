"""What the observer holds a night to: each rule with its statement and what it bears."""

from dataclasses import dataclass, field
from datetime import UTC, datetime


@dataclass(frozen=True)
class Rule:
    """One thing that must hold; `tolerance` is in `unit`."""

    name: str
    statement: str
    tolerance: float
    unit: str


CLOSED_IN_TIME = Rule(
    "closed_in_time",
    "The roof is closed so long after the weather turned unsafe, the station fell silent or the Sun"
    " rose, plus its own travel and the mount's longest way to its park position.",
    90.0,
    "s",
)
ROOF_OVER_PARKED = Rule(
    "roof_over_parked",
    "The roof moves only over a mount that stands in its park position and does not track, unless"
    " it is said to clear the telescope always.",
    0.1,
    "° of either axis from its park position",
)
OPEN_FOR_SOMETHING = Rule(
    "open_for_something",
    "The roof is open without an exposure under the sky no longer than it may open before the dark,"
    " and this margin; time under cloud does not count.",
    600.0,
    "s",
)
SUN = Rule(
    "sun",
    "Under a roof that is not closed the telescope keeps its distance from a Sun higher than -2°,"
    " on all of its way.",
    0.1,
    "°",
)
PIER = Rule(
    "pier",
    "A telescope that tracks stays within the hour angles of its side of the pier.",
    0.05,
    "h, for index and cone errors and a sync",
)
WATCHED = Rule(
    "watched",
    "The mount tracks without an exposure of the main or the guide camera no longer than this.",
    300.0,
    "s",
)
SLEW_IN_THE_OPEN = Rule(
    "slew_in_the_open",
    "The mount slews and tracks only under a roof that is fully open, parking excepted, and the"
    " main camera is exposed to the sky only above the floor.",
    0.5,
    "° below the floor",
)
ENDS_SAFE = Rule(
    "ends_safe",
    "At the end the mount stands parked and does not track, and the roof is closed.",
    0.1,
    "° of either axis from its park position",
)
ENDED = Rule(
    "ended",
    "A night is over, or its rig is stranded and a person called, so long after its dark hours and"
    " what time it has for calibration frames.",
    3600.0,
    "s",
)
ONE_ROUND = Rule(
    "one_round",
    "The roof closes and opens again, with nothing in the weather that asks for it, fewer times.",
    8.0,
    "rounds a night",
)
FRAMES_KEPT = Rule(
    "frames_kept",
    "Every sub that left the camera is in the ledger once and on disk as it left it, with its"
    " filter, exposure, start, target and place, and nothing else is there.",
    0.5,
    "s of start and exposure",
)
POINTED = Rule(
    "pointed",
    "A sub points at the target that the ledger names, within the centring tolerance and the"
    " dither's radius, and this margin.",
    60.0,
    "″",
)
WCS_TRUE = Rule(
    "wcs_true",
    "The coordinates in a frame's header are those of the sky on it, this near and as near as the"
    " telescope stood still.",
    15.0,
    "″ in the middle of the frame",
)
NOTHING_HALF_DONE = Rule(
    "nothing_half_done", "No intent is left without an outcome in the ledger.", 0.0, "intents"
)
CLEAR = Rule(
    "clear",
    "Cloud leaves an accepted frame at least this part of its light, on average.",
    0.5,
    "of the light under a clear sky",
)
NOT_TRAILED = Rule(
    "not_trailed",
    "The telescope wanders less during an accepted frame.",
    2.0,
    "″ rms, both axes",
)
IN_FOCUS = Rule(
    "in_focus",
    "Defocus alone does not widen the stars of an accepted frame by more than a frame is rejected"
    " for, and this margin.",
    0.1,
    "of the half-flux radius",
)
EVEN = Rule(
    "even",
    "No filter of a target is further from its share than this; where the tally was further off"
    " when the night began, no further than this beyond what it was.",
    1.0,
    "cycles",
)
# Transparency squared is measured to 4 %, the sky to some 5 %, stars' areas to 4 %: alike in all
# frames of a filter, so that the error grows with the tally.
EVEN_IN_DEPTH = Rule(
    "even_in_depth",
    "Where a target counts depth, no filter's true worth, of subs of this night alone, is further"
    " from its share than a cycle, half a sub, and this; where another clear dark night made it so,"
    " no further than a cycle beyond that.",
    0.1,
    "of the cycles that the filters have",
)
EVEN_PANELS = Rule(
    "even_panels",
    "No panel of a mosaic gets further ahead of another that lacks something and is well up than a"
    " visit and this, or than it was when the night began and that.",
    1.0,
    "cycles",
)
ASKED_SKY = Rule(
    "asked_sky",
    "A sub begins under a sky, dark, moonlit or twilit, for which a group with its filter is asked,"
    " or no longer than this after it.",
    120.0,
    "s",
)
IN_ITS_HOURS = Rule(
    "in_its_hours",
    "A sub is exposed within the hours of the night, by the clocks that say them, that are left to"
    " its target, and no more than this outside.",
    1.0,
    "s",
)
NIGHTLY_LIMIT = Rule(
    "nightly_limit",
    "No sub is accepted when its target, or its filter, has had all that a night may give it.",
    0.0,
    "s",
)
DITHERED = Rule(
    "dithered",
    "Before a sub for which its pointing has no room beside those of its filter, neither in subs"
    " nor in exposed seconds, there is a slew, or the telescope is moved by the dither's shortest"
    " step, less this and what it wandered in both.",
    1.0,
    "px",
)

LIGHTS_FIRST = Rule(
    "lights_first",
    "No calibration frame begins under an open roof in the dark when the sky ahead and overhead has"
    " been clear for so long.",
    120.0,
    "s",
)
PANEL_DARK = Rule(
    "panel_dark", "The light panel is dark while the main camera exposes a light.", 0.0, "of it"
)
DARKS_DARK = Rule(
    "darks_dark", "Light gave a dark or bias that is kept no more than this.", 20.0, "ADU"
)
FLATS_ON_LEVEL = Rule(
    "flats_on_level",
    "A flat that is kept has the level that is asked for, this near.",
    0.055,
    "of the level",
)
LIBRARY_KEPT = Rule(
    "library_kept",
    "Every calibration frame in the ledger left the camera as it is entered and is on disk as it"
    " left it, and nothing else is there.",
    0.5,
    "s of start and exposure",
)

RULES = (
    CLOSED_IN_TIME, ROOF_OVER_PARKED, OPEN_FOR_SOMETHING, SUN, PIER, WATCHED, SLEW_IN_THE_OPEN,
    ENDS_SAFE, ENDED, ONE_ROUND, FRAMES_KEPT, POINTED, WCS_TRUE, NOTHING_HALF_DONE, CLEAR,
    NOT_TRAILED, IN_FOCUS, EVEN, EVEN_IN_DEPTH, EVEN_PANELS, ASKED_SKY, IN_ITS_HOURS, NIGHTLY_LIMIT,
    DITHERED, LIGHTS_FIRST, PANEL_DARK, DARKS_DARK, FLATS_ON_LEVEL, LIBRARY_KEPT,
)  # fmt: skip


@dataclass(frozen=True)
class Finding:
    """A rule that did not hold: when, and what was seen."""

    rule: Rule
    utc: datetime
    seen: str

    def __str__(self) -> str:
        return f"{self.utc:%H:%M:%S} {self.rule.name}: {self.seen}"


@dataclass
class Findings:
    """What was found so far."""

    found: list[Finding] = field(default_factory=list)
    _lasting: set[tuple[Rule, str]] = field(default_factory=set)

    def add(self, rule: Rule, at_s: float, seen: str) -> None:
        """Note one."""
        self.found.append(Finding(rule, datetime.fromtimestamp(at_s, UTC), seen))

    def hold(self, rule: Rule, broken: bool, at_s: float, seen: str, part: str = "") -> None:
        """Note one when a part of a rule begins to be broken, and not again while it stays so."""
        if broken and (rule, part) not in self._lasting:
            self._lasting.add((rule, part))
            self.add(rule, at_s, seen)
        elif not broken:
            self._lasting.discard((rule, part))
