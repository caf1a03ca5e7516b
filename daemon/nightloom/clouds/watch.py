"""Hold for clouds and go on after them, with separate levels for each and a memory of clear sky."""

import math
from dataclasses import dataclass, replace
from enum import Enum
from statistics import median

from nightloom.clouds.clearing import foreseen_mean

FORESEEN = 2
"""So many readings in a row must foresee a clear sub: one alone may be noise."""


class Action(Enum):
    """What the night should do."""

    GO_ON = "go on"
    HOLD = "hold"
    RESUME = "resume"


@dataclass(frozen=True)
class Decision:
    """What to do and why. HOLD is said as long as it holds, RESUME once, when it ends."""

    action: Action
    reason: str


@dataclass(frozen=True)
class CloudPolicy:
    """Hold when the transparency stays under ``hold_fraction`` for ``dim_for_s``, or when fewer
    than ``held_fraction`` of the guide stars are held as long; resume when it stays over
    ``clear_fraction`` for ``clear_for_s``. The clear level follows a clearer sky within
    ``rise_s``, and a dimmer one within ``fall_s`` as long as it is over ``learn_fraction``.
    It follows the median of ``smoothed`` readings, or the scatter of single ones would lift it.
    Resume also, where a sub of ``sub_s`` waits, as soon as its mean is foreseen to be
    ``accept_fraction`` or more.
    """

    hold_fraction: float = 0.5
    clear_fraction: float = 0.75
    held_fraction: float = 0.5
    dim_for_s: float = 15.0
    clear_for_s: float = 120.0
    learn_fraction: float = 0.92
    extinction_mag: float = 0.2
    rise_s: float = 60.0
    fall_s: float = 3600.0
    smoothed: int = 7
    accept_fraction: float = 0.77
    sub_s: float | None = None

    def __post_init__(self) -> None:
        """Raise ValueError unless 0 < hold < clear: without a gap the night would flutter."""
        if not 0 < self.hold_fraction < self.clear_fraction:
            raise ValueError(
                f"hold_fraction {self.hold_fraction} must lie between 0 and "
                f"clear_fraction {self.clear_fraction}"
            )


@dataclass(frozen=True)
class GuideReading:
    """One guide frame: median flux ratio of ``chosen`` guide stars, ``held`` of them held."""

    time_s: float
    flux_ratio: float
    held: int
    chosen: int
    airmass: float | None = None


@dataclass(frozen=True)
class FrameReading:
    """The transparency that a main-camera frame showed (`Verdict.transparency`)."""

    time_s: float
    transparency: float


Reading = GuideReading | FrameReading


@dataclass(frozen=True)
class CloudWatch:
    """Memory between readings.

    ``clear_level``: flux ratio of a clear sky, at first that of the reference fluxes themselves;
    ``reference_airmass``: where the guide stars' reference fluxes were taken; ``ratios``: the
    latest readings, as they would be at that airmass, newest last, and ``times_s`` when they came;
    ``foreseen``: how many of them in a row have foreseen a clear sub.
    """

    holding: bool = False
    clear_level: float = 1.0
    reference_airmass: float | None = None
    dim_since_s: float | None = None
    clear_since_s: float | None = None
    last_s: float | None = None
    ratios: tuple[float, ...] = ()
    times_s: tuple[float, ...] = ()
    foreseen: int = 0

    @property
    def now(self) -> float:
        """What the sky lets through now, by the median of the last three readings; 1 before."""
        latest = self.ratios[-3:]
        return median(latest) / self.clear_level if latest else 1.0

    def with_new_stars(self, airmass: float | None = None) -> "CloudWatch":
        """After guide stars were chosen anew, at ``airmass``: their fluxes are the level at first.

        A hold goes on; but do not choose during one, for what shines through would pass for clear.
        """
        return replace(
            self, clear_level=1.0, reference_airmass=airmass, ratios=(), times_s=(), foreseen=0
        )


def observe(
    watch: CloudWatch, reading: Reading, policy: CloudPolicy
) -> tuple[CloudWatch, Decision]:
    """Take in one reading; times must not run backwards within one watch.

    A guide reading has to stay dim for ``dim_for_s`` (a gust also loses stars); a whole frame
    that is dim holds at once, its exposure having been the wait.
    """
    if isinstance(reading, FrameReading):
        transparency, text = reading.transparency, f"frame transparency {reading.transparency:.2f}"
        dim = transparency < policy.hold_fraction
        wait_s = 0.0
    else:
        watch, transparency = _guide_transparency(watch, reading, policy)
        text = (
            f"guide stars at {transparency:.2f} of clear, {reading.held} of {reading.chosen} held"
        )
        few = reading.held < policy.held_fraction * reading.chosen or reading.held == 0
        dim = few or transparency < policy.hold_fraction
        wait_s = policy.dim_for_s
        watch = replace(
            watch, foreseen=0 if few or not _foresees(watch, policy) else watch.foreseen + 1
        )
    clear = not dim and transparency > policy.clear_fraction
    now_s = reading.time_s
    watch = replace(
        watch,
        dim_since_s=_since(watch.dim_since_s, dim, now_s),
        clear_since_s=_since(watch.clear_since_s, clear, now_s),
    )
    if watch.holding:
        return _while_holding(watch, now_s, policy, text)
    if watch.dim_since_s is not None and now_s - watch.dim_since_s >= wait_s:
        return replace(watch, holding=True), Decision(Action.HOLD, text)
    return watch, Decision(Action.GO_ON, text)


def _while_holding(
    watch: CloudWatch, now_s: float, policy: CloudPolicy, text: str
) -> tuple[CloudWatch, Decision]:
    if watch.foreseen >= FORESEEN:
        watch = replace(watch, holding=False, dim_since_s=None)
        return watch, Decision(Action.RESUME, f"{text}, and clear enough over a sub as it goes on")
    if watch.clear_since_s is None:
        return watch, Decision(Action.HOLD, text)
    clear_s = now_s - watch.clear_since_s
    if clear_s < policy.clear_for_s:
        return watch, Decision(
            Action.HOLD, f"{text}, clear for {clear_s:.0f} of {policy.clear_for_s:.0f} s"
        )
    return replace(watch, holding=False), Decision(
        Action.RESUME, f"{text}, clear for {clear_s:.0f} s"
    )


def _foresees(watch: CloudWatch, policy: CloudPolicy) -> bool:
    """Whether a sub that waits would be clear enough, were it to begin now."""
    if policy.sub_s is None:
        return False
    shares = [ratio / watch.clear_level for ratio in watch.ratios]
    mean = foreseen_mean(watch.times_s, shares, policy.sub_s)
    return mean is not None and mean >= policy.accept_fraction


def _since(since_s: float | None, still: bool, now_s: float) -> float | None:
    if not still:
        return None
    return now_s if since_s is None else since_s


def _guide_transparency(
    watch: CloudWatch, reading: GuideReading, policy: CloudPolicy
) -> tuple[CloudWatch, float]:
    """Transparency against the clear level, which learns from this reading only if it is clear."""
    ratio = reading.flux_ratio
    if reading.airmass is not None and watch.reference_airmass is not None:
        more_air = reading.airmass - watch.reference_airmass
        ratio *= 10 ** (0.4 * policy.extinction_mag * more_air)
    level, ratios = watch.clear_level, (*watch.ratios, ratio)[-policy.smoothed :]
    times_s = (*watch.times_s, reading.time_s)[-policy.smoothed :]
    elapsed_s = 0.0 if watch.last_s is None else max(0.0, reading.time_s - watch.last_s)
    usual = median(ratios)
    if usual > level:
        level += (usual - level) * -math.expm1(-elapsed_s / policy.rise_s)
    elif usual >= policy.learn_fraction * level and not watch.holding:
        level += (usual - level) * -math.expm1(-elapsed_s / policy.fall_s)
    watch = replace(watch, clear_level=level, last_s=reading.time_s, ratios=ratios, times_s=times_s)
    return watch, watch.now
