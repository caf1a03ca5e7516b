"""What a night came to: a fold over its events, the same for simulated and for real nights."""

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypedDict

from nightloom.night.phases import Phase
from nightloom.telemetry import Event
from nightloom.telemetry import events as e


class NightFigures(TypedDict):
    """What a night came to, as `--json` has it."""

    night: str
    dark_s: float
    clear_s: float
    open_s: float
    open_fraction: float
    bound_fraction: float
    accepted_s: dict[str, float]
    worth_s: dict[str, float]
    rejected_s: dict[str, float]
    subs: int
    dithers: int
    focus_runs: int
    focus_checks: int
    focus_s: float
    shelters: int
    guide_rms_arcsec: float | None


@dataclass
class NightSummary:
    """Figures of one night, kept up to date by `observe`.

    `clear_s` is the dark time less holds under cloud and less unsafe weather; a target's window
    is not taken into account, so a night without a target counts as lost.
    """

    bounds: Mapping[str, float] = field(default_factory=dict)
    """For each target, the part of the time that physics lets the shutter be open."""
    night: str = ""
    phase: Phase = Phase.ASLEEP
    target: str = ""
    dark: tuple[float, float] | None = None
    lost_s: float = 0.0
    open_s: float = 0.0
    least_s: float = 0.0
    """The least time in which the subs could have been taken."""
    accepted_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    worth_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    """What was accepted, in seconds of each filter's clear dark night as it was known then."""
    rejected_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    subs: Counter[str] = field(default_factory=Counter)
    counts: Counter[str] = field(default_factory=Counter)
    focus_s: float = 0.0
    """The time that curves and checks took."""
    guide_squares_arcsec2: float = 0.0
    _lost_since_s: float | None = None

    def observe(self, utc: datetime, event: Event) -> None:
        """Take one event of the log."""
        now_s = utc.timestamp()
        match event:
            case e.NightBegun(dark_begins_utc=begins, dark_ends_utc=ends, night=night):
                self.night = night
                if begins and ends:
                    self.dark = (begins.timestamp(), ends.timestamp())
            case e.PhaseChanged(after=after):
                self.phase = Phase(after)
                self.counts["shelters"] += self.phase is Phase.SHELTERING
                self._shelter(now_s)
            case e.TargetChosen(target=target):
                self.target = target
            case e.FrameAccepted() | e.FrameRejected():
                self._frame(event)
            case e.FrameTakenBack(filter=name, exposure_s=exposure_s, worth_s=worth_s):
                self.accepted_s[name] -= exposure_s
                self.worth_s[name] -= exposure_s if worth_s is None else worth_s
                self.rejected_s[name] += exposure_s
                self.subs.update(accepted=-1, rejected=1)
            case e.Dithered():
                self.counts["dithers"] += 1
            case e.FocusCurve(took_s=took_s):
                self.counts["focus_runs"] += 1
                self.focus_s += took_s
            case e.FocusChecked(took_s=took_s):
                self.counts["focus_checks"] += 1
                self.focus_s += took_s
            case _:
                pass

    def _shelter(self, now_s: float) -> None:
        """Count the dark time during which the sky could not be used."""
        if self.phase in (Phase.SHELTERING, Phase.HOLDING):
            self._lost_since_s = self._lost_since_s or now_s
        elif self._lost_since_s is not None and self.phase is not Phase.READYING:
            self.lost_s += self._within_dark(self._lost_since_s, now_s)
            self._lost_since_s = None

    def _frame(self, frame: e.FrameAccepted | e.FrameRejected) -> None:
        accepted = isinstance(frame, e.FrameAccepted)
        tally = self.accepted_s if accepted else self.rejected_s
        tally[frame.filter] += frame.exposure_s
        if accepted:
            known_s = frame.worth_s
            self.worth_s[frame.filter] += frame.exposure_s if known_s is None else known_s
        self.open_s += frame.exposure_s
        self.least_s += frame.exposure_s / self.bounds.get(frame.target, 1.0)
        self.subs["accepted" if accepted else "rejected"] += 1
        if frame.guide_rms_arcsec is not None:
            self.counts["guided"] += 1
            self.guide_squares_arcsec2 += frame.guide_rms_arcsec**2

    def _within_dark(self, begin_s: float, end_s: float) -> float:
        if self.dark is None:
            return 0.0
        return max(0.0, min(end_s, self.dark[1]) - max(begin_s, self.dark[0]))

    @property
    def dark_s(self) -> float:
        """Length of the dark time."""
        return self.dark[1] - self.dark[0] if self.dark else 0.0

    @property
    def clear_s(self) -> float:
        """The dark time that clouds and weather left."""
        return self.dark_s - self.lost_s

    @property
    def open_fraction(self) -> float:
        """Part of the clear dark time during which the shutter was open for light frames."""
        return self.open_s / self.clear_s if self.clear_s else 0.0

    @property
    def bound_fraction(self) -> float:
        """The same with every gap at its least possible cost and nothing else lost."""
        return self.open_s / self.least_s if self.least_s else 0.0

    @property
    def guide_rms_arcsec(self) -> float | None:
        """Root mean square of the guide error over all subs; None without guiding."""
        guided = self.counts["guided"]
        return (self.guide_squares_arcsec2 / guided) ** 0.5 if guided else None

    def figures(self) -> NightFigures:
        """All of it under the names that `--json` uses."""
        return {
            "night": self.night,
            "dark_s": round(self.dark_s, 1),
            "clear_s": round(self.clear_s, 1),
            "open_s": round(self.open_s, 1),
            "open_fraction": round(self.open_fraction, 4),
            "bound_fraction": round(self.bound_fraction, 4),
            "accepted_s": dict(sorted(self.accepted_s.items())),
            "worth_s": {name: round(one_s, 1) for name, one_s in sorted(self.worth_s.items())},
            "rejected_s": dict(sorted(self.rejected_s.items())),
            "subs": self.subs.total(),
            "dithers": self.counts["dithers"],
            "focus_runs": self.counts["focus_runs"],
            "focus_checks": self.counts["focus_checks"],
            "focus_s": round(self.focus_s, 1),
            "shelters": self.counts["shelters"],
            "guide_rms_arcsec": self.guide_rms_arcsec and round(self.guide_rms_arcsec, 3),
        }
