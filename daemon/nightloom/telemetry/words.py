"""Every event as one sentence for people, and how much somebody must want to know to hear of it.

The sentences are a table of templates (`figures.fill`); a few that depend on what the event says
are functions below it. Whatever speaks to a person of an event takes its words from here.

Long on purpose: one row for each event of `events.py`, in the same order.
"""

from collections.abc import Callable
from datetime import tzinfo
from enum import IntEnum
from typing import NamedTuple, TypeVar, cast

from nightloom.telemetry import events as e
from nightloom.telemetry.event import Event
from nightloom.telemetry.figures import duration, fill, readable, written

E = TypeVar("E", bound=Event)
Function = Callable[[Event], str]


class Detail(IntEnum):
    """How much is told; each holds what stands before it."""

    MAIN = 1
    """What a person wants to know: where the night is, and what went wrong."""
    SUBS = 2
    """Every sub, too, and what the rig does between them on a person's account."""
    ALL = 3
    """Everything."""


class Said(NamedTuple):
    """How an event is told."""

    template: str | Function
    detail: Detail = Detail.MAIN


def sentence(event: Event, zone: tzinfo | None = None) -> str:
    """What an event says, without a full stop.

    Times in it are UTC, and say so, unless a zone is given whose name the reader has seen.
    """
    template = SAID[type(event)].template
    if not isinstance(template, str):
        return readable(template(event))
    return fill(template, event.fields(), zone)


def detail_of(event: Event) -> Detail:
    """From which detail on an event is told: warnings and errors always."""
    return SAID[type(event)].detail if event.level == "info" else Detail.MAIN


# What depends on the event ------------------------------------------------------------------------


def _function(told: Callable[[E], str]) -> Function:
    """A sentence's function, as one that takes any event: the table gives it those of its kind."""
    return cast(Function, told)


PHASES = {
    "asleep": "Parked and closed",
    "readying": "Making the rig ready",
    "acquiring": "Taking up a target",
    "gathering": "Taking subs",
    "crossing": "Going to the other side of the pier",
    "holding": "Waiting for the sky, roof open",
    "pausing": "Pausing",
    "sheltering": "Parking and closing for shelter",
    "calibrating": "Taking calibration frames",
    "retiring": "Parking and closing for the night",
    "stranded": "Not parked and closed; trying again",
}
"""What goes on in each phase."""


def _phase(event: e.PhaseChanged) -> str:
    """What goes on in the phase, and the reason where it says more."""
    doing = PHASES.get(event.after, event.after)
    needless = not event.reason or event.reason.lower() == doing.lower()
    return doing if needless else f"{doing}: {event.reason}"


def _next_step(step: str) -> str:
    """A phase, or what the table of faults says, as what happens next."""
    return PHASES.get(step, step.replace("_", " ")).lower()


def _trouble(event: e.DeviceTrouble) -> str:
    """The device, how it failed, what was asked and seen, what happens next, and the mend."""
    parts = [f"{event.device} {event.kind}; asked: {event.asked}; seen: {event.seen}"]
    parts += [f"next: {_next_step(event.next_step)}"] if event.next_step else []
    return "; ".join([*parts, event.mend] if event.mend else parts)


def _arrived(what: str) -> Function:
    """What came to be; how long that took, unless it was so already."""

    def told(event: e.MountParked | e.RoofOpened | e.RoofClosed) -> str:
        """What came to be; how long that took, unless it was so already."""
        return what if event.took_s < 0.5 else f"{what}, after {duration(event.took_s)}"

    return _function(told)


def _target(event: e.TargetChosen) -> str:
    """The target that is next, whether it is again, and why."""
    return f"{event.target}{' again' if event.again else ' is next'}: {event.reason}"


def _calibration_doubt(event: e.GuidingDoubted) -> str:
    """Why the calibration fits no more, and what part of the way the pulses moved."""
    shares = {"right ascension": event.ra_share, "declination": event.dec_share}
    moved = [
        f"{axis} pulses moved {written(share, 'share')} of the way"
        for axis, share in shares.items()
        if share is not None
    ]
    return "; ".join(
        [f"The guide calibration does not fit any more: {event.reason}", *moved, "measuring anew"]
    )


def _curve(event: e.FocusCurve) -> str:
    """The filter and the reason, then the best position and its error, or why it is not used."""
    head = f"Focus curve in {event.filter} ({event.reason})"
    took = f"in {duration(event.took_s)}"
    if not event.accepted:
        return f"{head}: not used, {event.refusal}; {took}"
    error = "" if event.error_steps is None else f" ± {event.error_steps:.1f}"
    return f"{head}: best at {written(event.vertex_steps, 'number')}{error} steps; {took}"


def _listening(event: e.RemoteListening) -> str:
    """Where to look on, and who may."""
    return f"Seen at {event.url}, {'with the token' if event.token else 'from this computer'}"


def _look(event: e.FocusChecked) -> str:
    """What a look at the focus found, and what the focuser does about it."""
    head = f"Focus looked at in {event.filter} ({event.reason})"
    moved = "no correction"
    if abs(event.correction_steps) >= 0.5:
        moved = f"corrected by {written(event.correction_steps, 'move')}"
    error = "" if event.error_steps is None else f" ± {event.error_steps:.1f}"
    seen = f"{written(event.estimate_steps, 'move').removesuffix(' steps')}{error} steps"
    match event.verdict:
        case "moved":
            found = f"it moved {event.direction} by {seen.lstrip('+−')}; {moved}"
        case "stayed":
            found = f"still sharp, {seen} off; {moved}"
        case _:
            found = "no clear answer; a curve follows"
    return f"{head}: {found}; in {duration(event.took_s)}"


def _offsets(event: e.OffsetsAdopted) -> str:
    """The offsets against the reference filter, which are as configured, and the slope."""
    learned = written(dict(event.offsets_steps), "move")
    parts = [f"Focus offsets learned, against {event.reference}: {learned}"]
    parts += [f"as configured: {', '.join(event.kept)}"] if event.kept else []
    slope = written(event.slope_steps_per_c, "steps_c")
    return "; ".join([*parts, f"{slope} of warming{'' if event.slope_learned else ', configured'}"])


LIT = {"moonlight": "Moonlight brightens the sky", "twilight": "Twilight brightens the sky"}


def _sky(event: e.SkyChanged) -> str:
    """What dims the stars or brightens the sky, and by how much."""
    lost = written(event.lost_mag, "mag")
    match event.cause:
        case "clear":
            return "The sky is clear"
        case "moonlight" | "twilight":
            times = written(event.lit, "times")
            return f"{LIT[event.cause]}, {times} as bright as in the dark; stars down {lost}"
        case "unknown":
            return f"Something dims the stars by {lost}; too early to tell what"
    return f"{event.cause.capitalize()} dims the stars by {lost}"


def _hold(event: e.CloudHold) -> str:
    """What stops the subs, by which cause."""
    light = written(event.star_fraction, "light")
    cause = f", by {event.cause}" if event.cause not in ("", "clear", "unknown") else ""
    return f"Subs stop{cause}: {event.reason or f'{light} of a clear sky is left'}"


_CAUSES = {
    "cloud": "the sky has dimmed",
    "dark": "no light arrives",
    "focus": "its stars are blurred",
    "mount": "its stars are there and no frame was solved",
    "distance": "it stays off the middle",
    "unknown": "too few stars are seen to tell why",
}


def _not_centred(event: e.PointingFailed) -> str:
    """The target, the likely cause, and the reason."""
    cause = _CAUSES.get(event.cause, event.cause)
    return f"{event.target} could not be centred, {cause}: {event.reason}"


def _calibrated(event: e.CalibrationEnded) -> str:
    """What was taken, and what is lacking still."""
    numbers = {"biases": event.biases, "darks": event.darks, "flats": event.flats}
    taken = [f"{number} {kind}" for kind, number in numbers.items() if number]
    head = f"Calibration frames taken: {', '.join(taken) or 'none'}"
    return f"{head}; lacking still: {', '.join(event.lacking) or 'nothing'}"


# The table ----------------------------------------------------------------------------------------

_FRAME = (
    "[: star radius {half_flux_radius_px:px}][, {stars:+star}]"
    "[; guiding {guide_rms_arcsec:arcsec} rms][; starlight {transparency:light}]"
    "[; worth {worth_s:s}]"
)
"""What a frame showed."""

_FRAME_MORE = _FRAME.replace("[: ", "[; ", 1)

MAIN, SUBS, ALL = Detail

SAID: dict[type[Event], Said] = {
    # The night as a whole
    e.NightArmed: Said("Waiting for the night of {night:night}, from {begins_utc}"),
    e.NightsMissed: Said("No daemon ran in the night of {nights:night}"),
    e.LikenessAssumed: Said("The simulated {group} is taken to have {assumed}"),
    e.LedgerCopied: Said("Ledger checked and copied to {path}, {size_mb:mb}", ALL),
    e.UpkeepFailed: Said("The upkeep by day failed: {reason}"),
    e.ServerAwaited: Said("No INDI server answers yet; waiting for one: {reason}"),
    e.LinkLost: Said("The INDI server is lost; looking for it: {reason}"),
    e.LinkAway: Said("Still no INDI server, for {for_s:time} now"),
    e.LinkBack: Said("The INDI server is back after {after_s:time}"),
    e.NightBegun: Said(
        "The night of {night:night} begins at {observatory}"
        "[; dark from {dark_begins_utc} to {dark_ends_utc}]"
    ),
    e.NightEnded: Said(
        "The night is over: {accepted:+frame} kept, {rejected:number} rejected;"
        " shutter open for {open_s:time} of {dark_s:time} of dark"
    ),
    e.ReportWritten: Said("The report of the night is in {path}: {said}"),
    e.ReportFailed: Said(
        "The report of the night of {night:night} could not be written; `nightloom report` tries"
        " again: {reason}"
    ),
    e.PhaseChanged: Said(_function(_phase)),
    e.LeftOverSettled: Said("Ended what a daemon that is no more had begun: {unfinished}"),
    e.Restarted: Said("Started anew into a night under way[; left unfinished: {unfinished}]"),
    e.OperatorAsked: Said("Asked for, by {origin}: {request}[; {answer}]"),
    e.LedgerUnread: Said(
        "Making the rig safe without the ledger, which cannot be opened: {reason}"
    ),
    e.DoorShut: Said("Commands cannot reach this daemon: {reason}"),
    e.RemoteListening: Said(_function(_listening), ALL),
    e.RemoteShut: Said("Nobody can look on over HTTP; the night goes on: {reason}"),
    e.RemoteRefused: Said("Refused over HTTP, {origin} last, {times:+time} by now: {reason}"),
    e.RemoteMistake: Said("A mistake in answering over HTTP: {kind} at {text}"),
    e.NoticeSent: Said("Word sent to {address} of: {about:name}; {waited_s:time} later", ALL),
    e.NoticeUnsent: Said(
        "{address} did not take word of: {about:name}; {reason}; tried again in {again_s:time}"
    ),
    e.NoticeDropped: Said("{address} will get no word of: {about:name}; {reason}"),
    # The rig
    e.RoofOpened: Said(_arrived("Roof open")),
    e.RoofClosed: Said(_arrived("Roof closed")),
    e.RoofBelieved: Said(
        "The roof says that it is closed and does not move; it was closed last, so that is"
        " believed. Look at it: {reason}"
    ),
    e.PersonNeeded: Said("Somebody must look after the rig now, it is not safe: {reason}"),
    e.MountParked: Said(_arrived("Mount parked")),
    e.MountUnparked: Said("Mount free to move", ALL),
    e.SensorCooled: Said("Camera at {temperature_c:c}, after {took_s:time}", SUBS),
    e.CoolingFellShort: Said(
        "The camera reached {reached_c:c} and not {wanted_c:c}; the night goes on like that"
    ),
    e.SensorWarmed: Said("Camera warmed to {temperature_c:c}, in {took_s:time}; cooler off", SUBS),
    e.ActUnrecorded: Said("The ledger does not have that the {part} was told: {act}; {reason}"),
    e.DeviceTrouble: Said(_function(_trouble)),
    e.TroubleOver: Said("A whole sub again: the trouble with {parts:name} is over"),
    e.GivenUp: Said(
        "Given up after {tries:+attempt}: {part:name}; {reason}; next: {then}[; {mend}]"
    ),
    e.GoneOnWithout: Said("Going on without {part:name}: {how}; {reason}[; {mend}]"),
    e.UnexpectedError: Said("The daemon made a mistake; parking and closing: {text} ({kind})"),
    e.GuardRefused: Said("Not allowed: {request}; {limit}"),
    # Pointing
    e.TargetChosen: Said(_function(_target)),
    e.Slewed: Said(
        "Telescope at {ra_deg:ra}, {dec_deg:dec}[, {pier_side} of the pier], after {took_s:time}",
        ALL,
    ),
    e.Solved: Said(
        "Frame solved in {took_s:time}: {distance_arcsec:arcsec} off; turned by {rotation_deg:deg},"
        " {scale_arcsec_per_px:arcsec_px}",
        ALL,
    ),
    e.SolveFailed: Said("A frame was not solved, {stars:+star} in it: {reason}"),
    e.Centred: Said("{target} centred, {distance_arcsec:arcsec} off, after {attempts:+slew}", SUBS),
    e.PointingFailed: Said(_function(_not_centred)),
    e.CrossingRefused: Said(
        "The mount did not take {target} to the other side of the pier: {reason};"
        " next: {next_step:name}"
    ),
    e.Crossed: Said("Telescope now {after} of the pier; {took_s:time} from sub to guiding"),
    # Guiding
    e.RotationDiffers: Said(
        "The camera is turned by {turned_deg:deg} since {target} was taken on {night:night}:"
        " {rotation_deg:deg} now, {was_deg:deg} then"
    ),
    e.GuidingCalibrated: Said(
        "Guiding calibrated, {pier_side} of the pier: {ra_rate_arcsec_per_s:arcsec_s} in right"
        " ascension, {dec_rate_arcsec_per_s:arcsec_s} in declination;"
        " backlash {backlash_arcsec:arcsec}",
        SUBS,
    ),
    e.GuidingDoubted: Said(_function(_calibration_doubt)),
    e.StarsHeld: Said("Guiding on {stars:+star}, the brightest {snr:ratio} times its noise", SUBS),
    e.StarsReleased: Said("Guiding stopped: {reason}[; it held {rms_arcsec:arcsec} rms]", ALL),
    e.StarsUnseen: Said("Guide stars lost: none in {frames:+frame}"),
    e.StarsSeenAgain: Said("Guide stars held again, after {frames:+frame} without", SUBS),
    e.Dithered: Said(
        "Dithered to {dx_px:px} along the rows and {dy_px:px} along the columns from the centre;"
        " settled in {settle_s:time}",
        ALL,
    ),
    e.RestNotReached: Said(
        "The guide stars did not come to rest in {waited_s:time}: {error_arcsec:arcsec} rms"
    ),
    # Focus
    e.FilterChanged: Said(
        "Filter {after}[ after {before}], in {took_s:time}[; focuser at {focuser_steps:steps}]", ALL
    ),
    e.FocusCurve: Said(_function(_curve)),
    e.FocusGuessed: Said(
        "No good curve in {filter} yet, its points scatter by {scatter_percent:percent}: the"
        " focuser goes to the best guess, {position_steps:steps}[, give or take"
        " {error_steps:steps}]; the next curve exposes {exposure_s:s}"
    ),
    e.FocuserUnmoved: Said(
        "{device} does not move the focus: stars stay the same from {from_steps:number}"
        " to {to_steps:steps}"
    ),
    e.BacklashFound: Said(
        "Backlash of the focuser: configured {configured_steps:steps}, found about"
        " {found_steps:steps}; taken up from now on"
    ),
    e.BacklashRecalled: Said(
        "Backlash of the focuser as measured on {night:night}: {steps:steps} are taken up"
    ),
    e.FocusUnconfirmed: Said(
        "Focus in {filter} not confirmed: stars of {radius_px:px} where the curve has"
        " {curve_px:px}; another look follows"
    ),
    e.OffsetsAdopted: Said(_function(_offsets), SUBS),
    e.OffsetCorrected: Said(
        "Focus offset of {filter} was wrong: {after_steps:move} ± {error_steps:steps},"
        " not {before_steps:move}"
    ),
    e.FocusRecalled: Said(
        "Focus as it was {age_min:min} ago in {filter}: {position_steps:steps}, no new curve"
    ),
    e.FocusFollowed: Said(
        "Focus followed by {moved_steps:move}, as {subs:+sub} told: best at {position_steps:steps}"
        " in {filter}",
        SUBS,
    ),
    e.FocusChecked: Said(_function(_look), SUBS),
    # Subs
    e.SubBegun: Said("{filter} {exposure_s:s} begun, cycle {cycle:number}[: {reason}]", ALL),
    e.SubEnded: Said("{filter} {exposure_s:s} exposed; frame down in {download_s:time}", ALL),
    e.SubCancelled: Said("{filter} {exposure_s:s} given up after {open_s:time}: {reason}", SUBS),
    e.FrameAccepted: Said("{filter} {exposure_s:s} kept" + _FRAME, SUBS),
    e.FrameRejected: Said("{filter} {exposure_s:s} rejected: {reason}" + _FRAME_MORE),
    e.FrameTakenBack: Said("{filter} {exposure_s:s} of {target} counts no more: {reason}"),
    e.FrameLost: Said("A frame is lost, {uid:uid} of the night: {reason}"),
    e.FrameTimesDoubted: Said(
        "The frames of {device} carry times that cannot be, and are dated by the clock here: {seen}"
    ),
    e.DiskFilling: Said("Disk nearly full: room for {frames_left:+frame} more in {folder}"),
    e.FrameFound: Said("Frame {uid:uid} of a run that was cut short is whole, and judged: {path}"),
    e.PartialRemoved: Said(
        "Sub {uid:uid} of a run that was cut short had not come to disk; it does not count"
    ),
    e.VerdictsLeft: Said("The next start judges frames left over: {uids:uid}"),
    e.CycleCompleted: Said("{target}: cycle {cycle:number} complete; so far {accepted_s:time}"),
    # Calibration frames
    e.CalibrationFrameKept: Said(
        "Kept a {kind}[ in {filter}] of {exposure_s:s}: level {level_adu:adu}[, sensor at"
        " {sensor_c:c}]",
        SUBS,
    ),
    e.FlatTried: Said(
        "Flat in {filter} of {exposure_s:s}: {level_share:share} of the level asked for", SUBS
    ),
    e.FlatsGivenUp: Said("No more flats in {filter} now, {kept:+flat} kept: {reason}"),
    e.LightLeaked: Said("No darks now, it is not dark behind closed covers: {reason}"),
    e.DarksRefused: Said("No darks under the open roof: {reason}", ALL),
    e.CalibrationLeft: Said("Calibration frames are left: {reason}"),
    e.CalibrationEnded: Said(_function(_calibrated)),
    # Sky
    e.SkyChanged: Said(_function(_sky)),
    e.CloudHold: Said(_function(_hold)),
    e.CloudCleared: Said(
        "Starlight is back, {star_fraction:light} of a clear sky's, after {held_s:time}"
    ),
    e.WeatherUnsafe: Said("Unsafe weather: {reasons}"),
    e.WeatherSafe: Said("Weather safe for {safe_for_s:time} now"),
}
"""Every event of the log."""
