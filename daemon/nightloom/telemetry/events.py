"""The events of the log, in about the order in which a night brings them.

Numbers carry their unit as the last word of their name. A new event needs a class here and
nothing else; `describe.py` writes the documentation from these.

Long on purpose: whoever reads a log looks every event up in one place.
"""

from datetime import datetime
from typing import ClassVar

from pydantic import Field

from nightloom.telemetry.event import Event, Level
from nightloom_drivers.errors import DeviceError

# The night as a whole -----------------------------------------------------------------------


class NightArmed(Event):
    """The daemon waits for a night to begin."""

    night: str = Field(description="date of the evening, YYYY-MM-DD")
    begins_utc: datetime = Field(description="when readying begins; now for a night under way")


class NightsMissed(Event):
    """Nights got dark and went by while no daemon ran."""

    level: ClassVar[Level] = "warning"

    nights: list[str] = Field(description="dates of their evenings, YYYY-MM-DD")


class LikenessAssumed(Event):
    """What the configuration does not say of a part of the rig, and the simulated one has."""

    group: str = Field(description="part of the rig")
    assumed: list[str] = Field(description="what is taken to be so")


class LedgerCopied(Event):
    """The ledger was checked, put in order and copied, by day."""

    path: str = Field(description="the copy")
    size_mb: float = Field(description="its size in megabytes")


class UpkeepFailed(Event):
    """What is done by day for the next night could not be done."""

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="why not")


class ServerAwaited(Event):
    """No INDI server answers yet, and nothing is known of the rig; told at growing intervals."""

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="what was tried, and what was seen")


class LinkLost(Event):
    """The connection to the INDI server is gone; it is sought until it is found again."""

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="how it was noticed")


class LinkAway(Event):
    """The INDI server is still not reached; told again at growing intervals."""

    level: ClassVar[Level] = "warning"

    for_s: float = Field(description="time since the connection was lost")


class LinkBack(Event):
    """The connection to the INDI server stands again."""

    after_s: float = Field(description="time since it was lost")


class NightBegun(Event):
    """The daemon took up a night."""

    night: str = Field(description="date of the evening, YYYY-MM-DD")
    observatory: str = Field(description="name of the observatory")
    time_zone: str = Field(default="", description="the site's zone; empty when it is not set")
    dark_begins_utc: datetime | None = Field(
        default=None, description="when it gets dark; null if never"
    )
    dark_ends_utc: datetime | None = Field(default=None, description="when it stops being dark")
    seed: int | None = Field(
        default=None, description="seed of a simulated night; null for a real one"
    )


class NightEnded(Event):
    """The rig is parked and closed, and the night is over."""

    night: str = Field(description="date of the evening, YYYY-MM-DD")
    dark_s: float = Field(description="length of the dark time")
    open_s: float = Field(description="time the shutter was open for light frames")
    accepted: int = Field(description="frames accepted")
    rejected: int = Field(description="frames rejected")


class ReportWritten(Event):
    """The morning report of a night that is over can be read."""

    night: str = Field(description="date of the evening, YYYY-MM-DD")
    path: str = Field(description="the file, for a browser")
    said: str = Field(description="what it says first")
    took_s: float = Field(description="time since it was asked for, at the night's end or later")


class ReportFailed(Event):
    """The morning report could not be written; the night and its records are as they were."""

    level: ClassVar[Level] = "warning"

    night: str = Field(description="date of the evening, YYYY-MM-DD")
    reason: str = Field(description="why not")


class PhaseChanged(Event):
    """The night went from one phase to another."""

    before: str = Field(description="the phase it left")
    after: str = Field(description="the phase it entered")
    reason: str = Field(description="why, in a few words")


class Restarted(Event):
    """The daemon found a night under way, and acts begun whose end nobody recorded."""

    level: ClassVar[Level] = "warning"

    night: str = Field(description="date of the evening, YYYY-MM-DD")
    unfinished: list[str] = Field(description="what had been begun, oldest first")


class LeftOverSettled(Event):
    """The daemon found what an earlier one had begun in a night that is over, and ends it."""

    level: ClassVar[Level] = "warning"

    unfinished: list[str] = Field(description="what had been begun, oldest first")


class OperatorAsked(Event):
    """A person asked the running daemon for something."""

    request: str = Field(description="what was asked")
    origin: str = Field(description="where the request came from")
    answer: str = Field(default="", description="what was answered")


class LedgerUnread(Event):
    """The rig is made safe without the ledger, which cannot be opened."""

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="what was seen")


class DoorShut(Event):
    """No requests can be made of this daemon: the socket for them cannot be had."""

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="why not")


class RemoteListening(Event):
    """The daemon is seen over HTTP from now on."""

    url: str = Field(description="where")
    token: bool = Field(description="whether a token is asked for")


class RemoteShut(Event):
    """The daemon is not seen over HTTP; the night goes on without."""

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="why not")


class RemoteRefused(Event):
    """Somebody was refused over HTTP; of each kind it is told at growing intervals."""

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="why")
    origin: str = Field(description="address of the last one")
    times: int = Field(description="how often since it was told last")


class RemoteMistake(Event):
    """The daemon made a mistake while it answered over HTTP; the night goes on."""

    level: ClassVar[Level] = "warning"

    kind: str = Field(description="name of the error's type")
    text: str = Field(description="where in the code it came from")


class NoticeSent(Event):
    """A person was sent word of an event."""

    about: str = Field(description="the event's name in the log")
    address: str = Field(description="which address took it, by its number and its kind")
    waited_s: float = Field(description="time from the event to its being taken")


class NoticeUnsent(Event):
    """Word of an event could not be sent; it is tried again."""

    level: ClassVar[Level] = "warning"

    about: str = Field(description="the event's name in the log")
    address: str = Field(description="which address did not take it, by its number and its kind")
    reason: str = Field(description="what was seen")
    again_s: float = Field(description="time until the next try")


class NoticeDropped(Event):
    """Word of an event was given up: nobody took it for too long, or too much was waiting."""

    level: ClassVar[Level] = "warning"

    about: str = Field(description="the event's name in the log")
    address: str = Field(description="which address did not take it, by its number and its kind")
    reason: str = Field(description="why it was given up")


# The rig ------------------------------------------------------------------------------------


class RoofOpened(Event):
    """The roof reads open."""

    took_s: float = Field(description="time from the command to the reading")


class RoofClosed(Event):
    """The roof reads closed."""

    took_s: float = Field(description="time from the command to the reading")


class RoofBelieved(Event):
    """The roof says that it is closed and does not move when told again; that is believed.

    By the record it was closed last. Look at it.
    """

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="what it answered")


class PersonNeeded(Event):
    """The rig could not be parked and closed: a person must look after it now."""

    level: ClassVar[Level] = "error"

    reason: str = Field(description="what is not done, and why")


class MountParked(Event):
    """The mount reads parked."""

    took_s: float = Field(description="time from the command to the reading")


class MountUnparked(Event):
    """The mount is free to move."""


class SensorCooled(Event):
    """The camera's sensor reached its temperature."""

    temperature_c: float = Field(description="temperature read back")
    took_s: float = Field(description="time since cooling began")


class CoolingFellShort(Event):
    """The sensor does not come to its set point; the night goes on at what it reached."""

    level: ClassVar[Level] = "warning"

    wanted_c: float = Field(description="temperature asked for")
    reached_c: float = Field(description="temperature read back")


class SensorWarmed(Event):
    """The camera's sensor was warmed up and its cooler switched off."""

    temperature_c: float = Field(description="temperature read back")
    took_s: float = Field(description="time since warming began")


class ActUnrecorded(Event):
    """Mount or roof was told something and the ledger does not say so: safety does not wait."""

    level: ClassVar[Level] = "warning"

    part: str = Field(description="mount or roof")
    act: str = Field(description="what was asked of it")
    reason: str = Field(description="why it could not be written down")


class DeviceTrouble(Event):
    """A device did not do what it was asked."""

    level: ClassVar[Level] = "warning"

    device: str = Field(description="name of the device")
    kind: str = Field(description="refused, cannot, late, contradicts or gone")
    property_name: str = Field(description="INDI property the request was about")
    asked: str = Field(description="what was asked")
    seen: str = Field(description="what was seen instead")
    next_step: str = Field(default="", description="what the night does about it")
    mend: str = Field(default="", description="what a person can do about it, when it was given up")

    @classmethod
    def of(cls, error: DeviceError, next_step: str, mend: str = "") -> "DeviceTrouble":
        """What an error of a device says, and what follows."""
        return cls(
            device=error.device,
            kind=error.verb,
            property_name=error.property_name,
            asked=error.asked,
            seen=error.seen,
            next_step=next_step,
            mend=mend,
        )


class TroubleOver(Event):
    """A sub was taken after trouble: what came before counts for nothing."""

    parts: list[str] = Field(description="what had failed")


class GivenUp(Event):
    """A part of the rig failed as often as the table of faults allows."""

    level: ClassVar[Level] = "error"

    part: str = Field(description="what failed, by its section of observatory.toml")
    tries: int = Field(description="how often it was asked")
    reason: str = Field(description="what it did last")
    then: str = Field(description="what the night does now")
    mend: str = Field(default="", description="what a person can do about it")


class GoneOnWithout(Event):
    """The night goes on without a part of the rig."""

    level: ClassVar[Level] = "warning"

    part: str = Field(description="what is missing, by its section of observatory.toml")
    how: str = Field(description="how it goes on")
    reason: str = Field(description="what it did last")
    mend: str = Field(default="", description="what a person can do about it")


class UnexpectedError(Event):
    """The daemon met a mistake of its own; it parks and closes, and stops."""

    level: ClassVar[Level] = "error"

    kind: str = Field(description="name of the error's type")
    text: str = Field(description="what the error says")


class GuardRefused(Event):
    """The guard stopped a request that would have broken a limit."""

    level: ClassVar[Level] = "error"

    request: str = Field(description="what was asked")
    limit: str = Field(description="which limit it would have broken")


# Pointing -----------------------------------------------------------------------------------


class TargetChosen(Event):
    """The night turned to a target."""

    target: str = Field(description="name of the target")
    reason: str = Field(description="why this one now")
    again: bool = Field(default=False, description="whether it was the one before, too")


class Slewed(Event):
    """The mount arrived."""

    ra_deg: float = Field(description="right ascension asked for, ICRS")
    dec_deg: float = Field(description="declination asked for, ICRS")
    pier_side: str = Field(
        default="", description="east or west; empty when the mount does not say"
    )
    took_s: float = Field(description="time from the command to standing still")


class Solved(Event):
    """A frame told where the telescope points."""

    ra_deg: float = Field(description="right ascension of the frame's centre, ICRS")
    dec_deg: float = Field(description="declination of the frame's centre, ICRS")
    scale_arcsec_per_px: float = Field(description="sky angle of one pixel")
    rotation_deg: float = Field(description="position angle of the frame's up, north through east")
    distance_arcsec: float = Field(description="distance from where it should point")
    took_s: float = Field(description="time that solving took")


class SolveFailed(Event):
    """No coordinates could be found in a frame."""

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="why not")
    stars: int = Field(description="stars that were measured in the frame")


class Centred(Event):
    """The target stands where it was asked to."""

    target: str = Field(description="name of the target")
    distance_arcsec: float = Field(description="distance left")
    attempts: int = Field(description="slews it took")


class PointingFailed(Event):
    """A target could not be brought into the middle of the frame."""

    level: ClassVar[Level] = "warning"

    target: str = Field(description="name of the target")
    cause: str = Field(
        description="cloud when the sky was seen to dim, dark when no light arrives, focus when"
        " stars are blurred, unknown when too few are seen to tell, mount when there are enough and"
        " no frame was solved, distance when it stays off"
    )
    reason: str = Field(description="what was seen")


class CrossingRefused(Event):
    """The mount was told to go to the other side of its pier and stayed; it was stopped."""

    level: ClassVar[Level] = "error"

    target: str = Field(description="name of the target")
    reason: str = Field(description="what was seen")
    next_step: str = Field(description="what is done about it")


class Crossed(Event):
    """The telescope changed sides of its pier."""

    before: str = Field(description="pier side it left")
    after: str = Field(description="pier side it is on")
    took_s: float = Field(description="time from the last sub's end to guiding again")


# Guiding ------------------------------------------------------------------------------------


class RotationDiffers(Event):
    """A target goes on from an earlier night, and the camera has been turned since."""

    level: ClassVar[Level] = "warning"

    target: str = Field(description="name of the target")
    rotation_deg: float = Field(description="position angle of the frame's up, north through east")
    was_deg: float = Field(description="the same in the earlier night")
    turned_deg: float = Field(description="angle between the two; half a turn counts as none")
    night: str = Field(description="date of the evening of the earlier night, YYYY-MM-DD")


class GuidingCalibrated(Event):
    """The guide chip's directions and rates were measured."""

    pier_side: str = Field(description="side of the pier it holds for: east, west or unknown")
    angle_deg: float = Field(description="direction of west on the guide chip")
    ra_rate_arcsec_per_s: float = Field(description="speed of a west pulse")
    dec_rate_arcsec_per_s: float = Field(description="speed of a north pulse")
    orthogonality_deg: float = Field(description="how far the two axes are from a right angle")
    backlash_arcsec: float = Field(description="backlash of the declination axis")


class GuidingDoubted(Event):
    """The guide calibration does not fit any more, and is measured anew."""

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="what raised the doubt")
    ra_share: float | None = Field(
        default=None, description="part of the expected way that right ascension pulses moved"
    )
    dec_share: float | None = Field(
        default=None, description="part of the expected way that declination pulses moved"
    )


class StarsHeld(Event):
    """Guide stars were chosen, and are held from now on."""

    stars: int = Field(description="stars used together")
    snr: float = Field(description="signal to noise of the brightest")


class StarsReleased(Event):
    """The guide stars were let go, as intended."""

    reason: str = Field(description="why")
    rms_arcsec: float | None = Field(
        default=None, description="total error while it ran, root mean square"
    )


class StarsUnseen(Event):
    """No guide star was seen for too long: they are lost."""

    level: ClassVar[Level] = "warning"

    frames: int = Field(description="guide frames in a row without any")


class StarsSeenAgain(Event):
    """Guide stars that were lost are held again."""

    frames: int = Field(description="guide frames in a row without any")


class Dithered(Event):
    """The pointing moved between two cycles, and settled."""

    target: str = Field(description="name of the target")
    number: int = Field(description="number of this pointing on the target tonight")
    dx_px: float = Field(description="distance from the target's centre along the rows")
    dy_px: float = Field(description="distance from the target's centre along the columns")
    settle_s: float = Field(description="time from the move to settled")


class RestNotReached(Event):
    """The guide stars did not come to rest in time."""

    level: ClassVar[Level] = "warning"

    error_arcsec: float = Field(description="root mean square of the last frames when time was up")
    waited_s: float = Field(description="time waited")


# Focus --------------------------------------------------------------------------------------


class FilterChanged(Event):
    """Another filter is in the light path, and the focuser has moved by its offset."""

    before: str = Field(default="", description="filter that was there; empty when not known")
    after: str = Field(description="filter that is there now")
    focuser_steps: int | None = Field(description="focuser position read back; null without it")
    took_s: float = Field(description="time from the first command to the last reading")


class FocusCurve(Event):
    """A focus curve was taken."""

    filter: str = Field(description="filter it was taken through")
    reason: str = Field(description="what asked for it")
    positions_steps: list[int] = Field(description="focuser positions")
    radii_px: list[float | None] = Field(
        description="half-flux radius at each position; null without stars"
    )
    accepted: bool = Field(description="whether its vertex is used")
    refusal: str = Field(default="", description="why not, when it is not")
    vertex_steps: float | None = Field(default=None, description="position of best focus")
    error_steps: float | None = Field(default=None, description="standard error of that position")
    tilt_columns_steps: float | None = Field(
        default=None,
        description="best focus at the last columns less that at the first; null when not known",
    )
    tilt_rows_steps: float | None = Field(
        default=None, description="the same from the first rows to the last"
    )
    tilt_error_steps: float | None = Field(default=None, description="standard error of either")
    temperature_c: float | None = Field(default=None, description="temperature at the focuser")
    took_s: float = Field(description="time the curve took")


class FocusGuessed(Event):
    """No curve of this night was good; the last one's best guess is gone to, and another one will
    be taken with longer exposures.
    """

    level: ClassVar[Level] = "warning"

    filter: str = Field(description="filter in the light path")
    position_steps: float = Field(description="where the focuser goes")
    error_steps: float | None = Field(description="standard error of that")
    scatter_percent: float = Field(description="how far the points lie from the curve")
    exposure_s: float = Field(description="what the next curve begins with")


class FocuserUnmoved(Event):
    """Stars kept their size over positions that must change it: the focuser does not move."""

    level: ClassVar[Level] = "warning"

    device: str = Field(description="device that reports positions it does not reach")
    from_steps: int = Field(description="lowest position of the widest scan")
    to_steps: int = Field(description="highest position of the widest scan")


class BacklashFound(Event):
    """The focuser's gears have more play than was taken up; it is measured, and is from now on."""

    level: ClassVar[Level] = "warning"

    configured_steps: int = Field(description="what the settings say of it")
    found_steps: float = Field(description="what was measured")
    error_steps: float = Field(description="standard error of that")


class BacklashRecalled(Event):
    """The backlash that an earlier night measured is taken up: the settings say less."""

    steps: int = Field(description="what is taken up")
    night: str = Field(description="night it was measured in")


class FocusUnconfirmed(Event):
    """Stars at a curve's best position are larger than it says, and not for backlash."""

    level: ClassVar[Level] = "warning"

    filter: str = Field(description="filter of the curve")
    radius_px: float = Field(description="half-flux radius in the confirming frame")
    curve_px: float = Field(description="the smallest by the curve")


class OffsetsAdopted(Event):
    """What focus curves and checks have taught replaces configured focus offsets."""

    reference: str = Field(description="filter that the offsets were counted from")
    offsets_steps: dict[str, float] = Field(description="learned offsets by filter")
    kept: list[str] = Field(description="filters that keep their configured offsets")
    slope_steps_per_c: float = Field(description="shift of focus for each degree of warming")
    slope_learned: bool = Field(description="whether that slope is learned")


class OffsetCorrected(Event):
    """Stars through one filter alone were out of focus, and a look through it measured its offset.

    It counts from the same filter as the configured ones.
    """

    level: ClassVar[Level] = "warning"

    filter: str = Field(description="the filter")
    before_steps: float = Field(description="its offset until then")
    after_steps: float = Field(description="its offset from then on")
    error_steps: float = Field(description="standard error of the look")


class FocusRecalled(Event):
    """A night that was interrupted goes on from the focus that its ledger holds: no new curve."""

    filter: str = Field(description="filter of the latest look at the focus")
    position_steps: int = Field(description="where the focuser belongs with it now")
    age_min: float = Field(description="age of that look")


class FocusFollowed(Event):
    """The sizes of subs, taken a little either side of best focus by turns, tell that it moved."""

    filter: str = Field(description="filter of the last of them")
    moved_steps: float = Field(description="since it was last told of, outward positive")
    error_steps: float = Field(description="how far off it is expected to be, rms")
    position_steps: int = Field(description="where best focus is believed to be with that filter")
    subs: int = Field(description="subs that told of it meanwhile")


class FocusChecked(Event):
    """The focus was looked at with a few frames either side."""

    filter: str = Field(description="filter of the test")
    reason: str = Field(description="what asked for it")
    growth_percent: float = Field(
        description="growth of the half-flux radius that neither the air nor the filter explains"
    )
    verdict: str = Field(description="stayed, moved, or unclear: then a curve follows")
    moved: bool = Field(description="true when focus moved and the focuser follows")
    direction: str = Field(
        default="", description="outward (to higher positions) or inward; empty when it stayed"
    )
    estimate_steps: float | None = Field(default=None, description="how far, higher is positive")
    error_steps: float | None = Field(default=None, description="standard error of that")
    correction_steps: float = Field(
        description="what the focuser is moved by from here on, the subs before weighed in"
    )
    took_s: float = Field(description="time the test took")


# Subs ---------------------------------------------------------------------------------------


class SubBegun(Event):
    """The shutter opened for a sub."""

    target: str = Field(description="name of the target")
    filter: str = Field(description="filter in the light path")
    exposure_s: float = Field(description="length asked for")
    uid: str = Field(description="the frame's name in the ledger")
    cycle: int = Field(description="number of the cycle, from 1")
    reason: str = Field(default="", description="why this filter now")


class SubEnded(Event):
    """The shutter closed at the end of a sub."""

    uid: str = Field(description="the frame's name in the ledger")
    target: str = Field(description="name of the target")
    filter: str = Field(description="filter it was taken through")
    exposure_s: float = Field(description="length asked for")
    download_s: float = Field(description="time from the end of the exposure to the frame")


class SubCancelled(Event):
    """A sub was given up before its end; it counts nowhere."""

    uid: str = Field(description="the frame's name in the ledger")
    target: str = Field(description="name of the target")
    filter: str = Field(description="filter in the light path")
    exposure_s: float = Field(description="length asked for")
    open_s: float = Field(description="time the shutter had been open")
    reason: str = Field(description="what cut it short")


class _FrameJudged(Event):
    """What a verdict was given on."""

    uid: str = Field(description="the frame's name in the ledger")
    target: str = Field(description="name of the target")
    filter: str = Field(description="filter it was taken through")
    exposure_s: float = Field(description="seconds that the tally gains, or does not")
    path: str = Field(default="", description="path under the output folder; empty without frames")
    half_flux_radius_px: float | None = Field(default=None, description="median over its stars")
    stars: int | None = Field(default=None, description="stars measured")
    background_adu: float | None = Field(default=None, description="sky level")
    guide_rms_arcsec: float | None = Field(default=None, description="guide error during the sub")
    guide_ra_rms_arcsec: float | None = Field(default=None, description="the same in RA alone")
    guide_dec_rms_arcsec: float | None = Field(
        default=None, description="the same in declination alone"
    )
    guide_peak_arcsec: float | None = Field(default=None, description="largest guide error")
    guide_seeing_arcsec: float | None = Field(
        default=None, description="the part of the guide error that the air made"
    )
    transparency: float | None = Field(
        default=None, description="part of a clear sky's light; null when it shows nothing of it"
    )
    transparency_error: float | None = Field(
        default=None, description="standard error of that, where the stars' light gave it"
    )
    guide_transparency: float | None = Field(
        default=None, description="the same by the guide stars, their mean over the sub"
    )
    worth_s: float | None = Field(
        default=None, description="seconds of the filter's clear dark night that it is worth"
    )


class FrameAccepted(_FrameJudged):
    """A frame is safe on disk and counts."""


class FrameRejected(_FrameJudged):
    """A frame is on disk and does not count."""

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="why it does not count")


class FrameTakenBack(Event):
    """A frame that was accepted does not count after all: a clearer sky was seen since."""

    level: ClassVar[Level] = "warning"

    uid: str = Field(description="the frame's name in the ledger")
    target: str = Field(description="name of the target")
    filter: str = Field(description="filter it was taken through")
    exposure_s: float = Field(description="seconds that the tally loses")
    worth_s: float | None = Field(
        default=None, description="seconds of the filter's clear dark night that it was worth"
    )
    reason: str = Field(description="why it does not count")


class FrameLost(Event):
    """A frame could not be written to disk."""

    level: ClassVar[Level] = "error"

    uid: str = Field(description="the frame's name in the ledger")
    reason: str = Field(description="what the disk said")


class FrameTimesDoubted(Event):
    """A camera's header gives times that cannot be: its frames are dated by the daemon's own clock
    where it does; told once a night.
    """

    level: ClassVar[Level] = "warning"

    device: str = Field(description="name of the camera")
    seen: str = Field(description="what the header says")


class DiskFilling(Event):
    """There is room for few more frames: make some, or the night will end for it."""

    level: ClassVar[Level] = "warning"

    folder: str = Field(description="where frames are kept")
    frames_left: int = Field(description="frames of this size that still fit")


class FrameFound(Event):
    """A frame of a run that was cut short is whole on disk: it is judged, and counted once."""

    uid: str = Field(description="the frame's name in the ledger")
    path: str = Field(description="path under the output folder")


class PartialRemoved(Event):
    """A frame of a run that was cut short had not all come to disk; it counts nowhere."""

    level: ClassVar[Level] = "warning"

    uid: str = Field(description="the sub's name in the ledger")
    path: str = Field(description="path under the output folder that it would have had")


class VerdictsLeft(Event):
    """The night ended before these frames had a verdict; the next start judges them."""

    level: ClassVar[Level] = "warning"

    uids: list[str] = Field(description="the frames' names in the ledger")


class CycleCompleted(Event):
    """Every filter of a target got its subs once more."""

    target: str = Field(description="name of the target")
    cycle: int = Field(description="number of the cycle, from 1")
    accepted_s: dict[str, float] = Field(description="accepted seconds so far by filter")


# Calibration frames -------------------------------------------------------------------------


class CalibrationFrameKept(Event):
    """A dark, bias or flat is in the library."""

    uid: str = Field(description="the frame's name in the ledger")
    kind: str = Field(description="dark, bias or flat")
    filter: str = Field(default="", description="filter of a flat")
    exposure_s: float = Field(description="exposure")
    level_adu: float = Field(description="median of its pixels")
    sensor_c: float | None = Field(default=None, description="temperature of the sensor")


class FlatTried(Event):
    """A flat missed the level that is asked for, and tells what the next one needs."""

    filter: str = Field(description="the filter")
    exposure_s: float = Field(description="its exposure")
    level_share: float = Field(description="its signal, in parts of the one asked for")
    trial: int = Field(description="number of the trial in this filter, from 1")


class FlatsGivenUp(Event):
    """There will be no more flats in a filter for now."""

    level: ClassVar[Level] = "warning"

    filter: str = Field(description="the filter")
    kept: int = Field(description="flats that were kept before")
    reason: str = Field(description="why no more")


class LightLeaked(Event):
    """A dark was not dark although everything is closed; no darks or biases are taken for now."""

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="the level that was seen")


class DarksRefused(Event):
    """The camera is not dark under an open roof, as one without a shutter; no darks there."""

    reason: str = Field(description="the level that was seen")


class CalibrationLeft(Event):
    """Calibration frames could not be taken any more, for something else than trouble."""

    level: ClassVar[Level] = "warning"

    reason: str = Field(description="what stands against them")


class CalibrationEnded(Event):
    """The night's calibration frames are taken, as far as they could be."""

    biases: int = Field(description="biases of this night")
    darks: int = Field(description="darks of this night")
    flats: int = Field(description="flats of this night")
    lacking: list[str] = Field(description="what the lights lack still, in words")


# Sky ----------------------------------------------------------------------------------------


class SkyChanged(Event):
    """Something else dims the stars than before, or nothing does."""

    cause: str = Field(
        description="clear, cloud, haze, dew, moonlight, twilight; unknown while it is too early"
    )
    lost_mag: float = Field(description="loss of starlight against the clearest sky of the night")
    lit: float = Field(
        default=1.0, description="how bright Sun and Moon make a clear sky, in parts of a dark one"
    )


class CloudHold(Event):
    """Too little starlight: subs stop until it is back."""

    level: ClassVar[Level] = "warning"

    star_fraction: float = Field(description="part of a clear sky's light that is seen now")
    cause: str = Field(default="", description="what dims the sky, as far as it is known by then")
    reason: str = Field(default="", description="what was seen of the sub, or of the stars")


class CloudCleared(Event):
    """Enough starlight for long enough: subs go on."""

    star_fraction: float = Field(description="part of a clear sky's light that was seen")
    held_s: float = Field(description="time since the hold began")


class WeatherUnsafe(Event):
    """The weather, or the station's silence, asks for shelter."""

    level: ClassVar[Level] = "warning"

    reasons: list[str] = Field(description="each parameter that is not safe")


class WeatherSafe(Event):
    """The weather has been safe for long enough to open."""

    safe_for_s: float = Field(description="time since the last unsafe reading")
