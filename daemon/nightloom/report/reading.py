"""Reads a night's log and ledger into plain records: a fold over the log's events."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, tzinfo
from pathlib import Path

from nightloom.ledger import Frame, Verdict
from nightloom.report.records import Act, Backlash, Done, Exposure, Fate, Look, Stay, Told
from nightloom.sky import Interval
from nightloom.telemetry import Event
from nightloom.telemetry import events as e
from nightloom.telemetry.reading import event_of, parse, utc_of
from nightloom.telemetry.words import sentence

TROUBLE = (e.DeviceTrouble, e.GivenUp, e.LinkLost, e.UnexpectedError, e.GuardRefused)
"""From one of these on, what is not a sub is trouble, until the next one begins."""

COMING_UP = (e.RemoteListening, e.RemoteShut, e.ServerAwaited, e.NightArmed)
"""What a daemon tells before it takes up a night: in the midst of one another run has ended."""

NOT_FAULTS = (e.FrameRejected, e.FrameTakenBack, e.CloudHold, e.LikenessAssumed)
"""Warnings that have a place of their own in the report."""


def events_in(log: Path) -> Iterator[tuple[datetime, Event]]:
    """The events of a log that this version knows, in order. Raises OSError."""
    with log.open(encoding="utf-8", errors="replace") as lines:
        for line in lines:
            fields = parse(line)
            event = None if fields is None else event_of(fields)
            if fields is not None and event is not None:
                yield utc_of(fields), event


@dataclass
class Story:
    """What a log's events tell of a night; `observe` takes one after another."""

    zone: tzinfo | None = None
    night: str = ""
    observatory: str = ""
    time_zone: str = ""
    dark: Interval | None = None
    stays: list[Stay] = field(default_factory=list)
    done: list[Done] = field(default_factory=list)
    faults: list[Interval] = field(default_factory=list)
    silent: list[Interval] = field(default_factory=list)
    subs: dict[str, Exposure] = field(default_factory=dict)
    told: list[Told] = field(default_factory=list)
    looks: list[Look] = field(default_factory=list)
    sky: list[tuple[float, str, float]] = field(default_factory=list)
    crossings: list[float] = field(default_factory=list)
    backlash: Backlash | None = None
    ended: bool = False
    _phase: tuple[str, float, str] | None = None
    _begun: dict[str, tuple[float, e.SubBegun]] = field(default_factory=dict)
    _fault_s: float | None = None
    _last_s: float = 0.0
    _gone_s: float | None = None
    """When the run before ended, while another one comes up."""

    def observe(self, utc: datetime, event: Event) -> None:
        """Take one event of the log, in its order."""
        now_s = utc.timestamp()
        if event.level != "info" and not isinstance(event, NOT_FAULTS):
            self.told.append(Told(now_s, event.level, event.name(), sentence(event, self.zone)))
        if isinstance(event, TROUBLE) and self._fault_s is None:
            self._fault_s = now_s
        if isinstance(event, COMING_UP) and self.night and not self.ended and not self._gone_s:
            self._gone_s = self._last_s
        match event:
            case e.NightBegun():
                self._night(now_s, event)
            case e.PhaseChanged(after=after, reason=reason):
                self._leave(now_s)
                self._phase = (after, now_s, reason)
            case e.SkyChanged(cause=cause, lost_mag=lost_mag):
                self.sky.append((now_s, cause, lost_mag))
            case e.Crossed():
                self.crossings.append(now_s)
            case e.BacklashFound():
                found = (event.configured_steps, event.found_steps, event.error_steps)
                self.backlash = Backlash(*found)
            case e.NightEnded():
                self.ended = True
            case _:
                self._work(now_s, event)
        self._last_s = now_s

    def close(self) -> None:
        """End what is still open with the last line; nothing ran after a night that did not end."""
        self._cut()
        ends_s = self._last_s if self._gone_s is None else self._gone_s
        if self.dark is not None and ends_s < self.dark.end_unix_s:
            rest = Interval(ends_s, self.dark.end_unix_s)
            if self.ended:
                self.stays.append(Stay("asleep", rest))
            else:
                self.silent.append(rest)

    def _cut(self) -> float:
        """End what goes on with the last line of a run of the daemon; returns when that was."""
        ends_s = self._last_s if self._gone_s is None else self._gone_s
        self._leave(ends_s)
        self._phase = None
        self._mended(ends_s)
        for began_s, begun in list(self._begun.values()):
            self._sub(begun, Interval(began_s, max(began_s, ends_s)), Fate.GIVEN_UP)
        return ends_s

    def _night(self, now_s: float, event: e.NightBegun) -> None:
        """A night that is begun again went on in another run; before the first one none was."""
        if self.night:
            self.silent.append(Interval(self._cut(), now_s))
            self._gone_s = None
        elif event.dark_begins_utc is not None and event.dark_begins_utc.timestamp() < now_s:
            self.silent.append(Interval(event.dark_begins_utc.timestamp(), now_s))
        self.night, self.observatory = event.night, event.observatory
        self.time_zone = event.time_zone
        begins, ends = event.dark_begins_utc, event.dark_ends_utc
        if begins is not None and ends is not None:
            self.dark = Interval(begins.timestamp(), ends.timestamp())

    def _leave(self, now_s: float) -> None:
        if self._phase is not None:
            phase, since_s, reason = self._phase
            self.stays.append(Stay(phase, Interval(since_s, now_s), reason))

    def _mended(self, now_s: float) -> None:
        if self._fault_s is not None:
            self.faults.append(Interval(self._fault_s, now_s))
            self._fault_s = None

    def _work(self, now_s: float, event: Event) -> None:
        """Take an event of what is done on a target."""
        match event:
            case e.SubBegun(uid=uid):
                self._mended(now_s)
                self._begun[uid] = (now_s, event)
            case e.SubEnded(uid=uid, exposure_s=exposure_s, download_s=download_s) if (
                uid in self._begun
            ):
                self._did(Act.DOWNLOAD, now_s, download_s)
                began_s, begun = self._begun[uid]
                self._sub(begun, Interval(began_s, min(began_s + exposure_s, now_s)), Fate.GIVEN_UP)
            case e.SubCancelled(uid=uid, open_s=open_s, reason=reason) if uid in self._begun:
                _, begun = self._begun[uid]
                self._sub(begun, Interval(now_s - open_s, now_s), Fate.GIVEN_UP, reason)
            case e.FrameAccepted() | e.FrameRejected():
                self._judged(event)
            case e.FrameTakenBack(uid=uid, reason=reason) if uid in self.subs:
                was = self.subs[uid]
                self.subs[uid] = replace(was, fate=Fate.REJECTED, reason=reason)
            case e.Dithered(settle_s=took_s):
                self._did(Act.DITHER, now_s, took_s)
            case e.FilterChanged(took_s=took_s, after=after):
                self._did(Act.CHANGE, now_s, took_s, after)
            case e.FocusCurve() | e.FocusChecked():
                self._did(Act.FOCUS, now_s, event.took_s, event.filter)
                self.looks.append(_look(now_s, event))
            case _:
                pass

    def _did(self, act: Act, now_s: float, took_s: float, detail: str = "") -> None:
        self.done.append(Done(act, Interval(now_s - max(0.0, took_s), now_s), detail))

    def _sub(self, begun: e.SubBegun, opened: Interval, fate: Fate, reason: str = "") -> None:
        """A sub whose shutter has closed; what became of its frame comes later."""
        self._begun.pop(begun.uid, None)
        self.subs[begun.uid] = Exposure(
            begun.uid, begun.target, begun.filter, begun.exposure_s, opened, fate, reason
        )

    def _judged(self, event: e.FrameAccepted | e.FrameRejected) -> None:
        kept = isinstance(event, e.FrameAccepted)
        was = self.subs.get(event.uid)
        if was is None:
            return  # a frame that another run found: its shutter was open before this log
        self.subs[event.uid] = replace(
            was,
            fate=Fate.KEPT if kept else Fate.REJECTED,
            reason="" if isinstance(event, e.FrameAccepted) else event.reason,
            path=event.path,
            half_flux_radius_px=event.half_flux_radius_px,
            stars=event.stars,
            background_adu=event.background_adu,
            guide_rms_arcsec=event.guide_rms_arcsec,
            transparency=event.transparency,
        )


def _look(now_s: float, event: e.FocusCurve | e.FocusChecked) -> Look:
    if isinstance(event, e.FocusChecked):
        return Look(now_s, "check", event.filter, event.verdict)
    found = "used" if event.accepted else event.refusal
    return Look(now_s, "curve", event.filter, found, used=event.accepted)


def story_of(events: Iterable[tuple[datetime, Event]], zone: tzinfo | None = None) -> Story:
    """All that a night's events tell."""
    story = Story(zone)
    for utc, event in events:
        story.observe(utc, event)
    story.close()
    return story


def subs_of(story: Story, frames: Mapping[str, Frame]) -> list[Exposure]:
    """The night's subs in order, with the ledger's last word on each, which the log may lack."""
    known = [_by_ledger(sub, frames.get(sub.uid)) for sub in story.subs.values()]
    for uid, frame in frames.items():
        if uid not in story.subs:
            known.append(_by_ledger(_unlogged(frame), frame))
    return sorted(known, key=lambda sub: sub.open.start_unix_s)


def _unlogged(frame: Frame) -> Exposure:
    begins_s = frame.start_utc.timestamp()
    opened = Interval(begins_s, begins_s + frame.exposure_s)
    fate = Fate.GIVEN_UP
    return Exposure(frame.uid, frame.target, frame.filter, frame.exposure_s, opened, fate)


def _by_ledger(sub: Exposure, frame: Frame | None) -> Exposure:
    if frame is None:
        return sub
    opened = sub.open
    if opened.duration_s < sub.exposure_s - 1.0:  # the log lost its end: the frame came whole
        opened = Interval(opened.start_unix_s, opened.start_unix_s + sub.exposure_s)
    return replace(
        sub,
        open=opened,
        fate=Fate.KEPT if frame.verdict is Verdict.ACCEPTED else Fate.REJECTED,
        reason=frame.reason,
        path=frame.path,
        half_flux_radius_px=frame.half_flux_radius_px,
        stars=frame.stars,
        background_adu=frame.background_adu,
        guide_rms_arcsec=frame.guide_rms_arcsec,
        worth_s=frame.worth_s,
    )
