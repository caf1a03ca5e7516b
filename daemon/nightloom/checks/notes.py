"""What follows from good settings and is worth knowing before the first night alone."""

from collections.abc import Iterator

from nightloom.guiding.dither import room_for
from nightloom.ledger import FILE_NAME
from nightloom.settings.observatory import Mount
from nightloom.settings.policies import DitherPolicy
from nightloom.settings.reader import Settings
from nightloom.settings.targets import Target

LONG_NIGHT_H = 12.0
"""Hours in which a target may be followed at the most, or nearly."""

FLIPS_LATE_H = 0.1
"""Six minutes: mounts that flip at the meridian may be set to do so a little after it."""


def notes(settings: Settings) -> list[str]:
    """One sentence for each consequence, with the settings that lead to it."""
    mount = settings.observatory.mount
    return [*_crossing(mount), *_pointing(mount), *_backlash(settings), *_dithers(settings)]


def _crossing(mount: Mount) -> Iterator[str]:
    """How the mount gets past the meridian."""
    if not mount.needs_flip:
        yield (
            "mount.needs_flip = false: the mount is taken to follow every target through the"
            " meridian, as a fork does; pier sides and hour-angle ranges do not count."
        )
        return
    _, last_h = mount.hour_angle_pier_west_h
    begins_h = max(mount.flip_after_h, mount.hour_angle_pier_east_h[0])
    yield (
        f"The mount flips: no sub begins that would last beyond hour angle {last_h:+g} h west of"
        f" the pier, and from {begins_h:+g} h on the other side may be taken"
        " (mount.hour_angle_pier_west_h, hour_angle_pier_east_h, flip_after_h)."
    )
    if last_h > 0:
        yield (
            f"West of the pier it tracks up to {60 * last_h:.0f} min past the meridian"
            " (mount.hour_angle_pier_west_h): see by day that nothing touches the pier there."
        )
    if mount.flip_after_h > FLIPS_LATE_H:
        yield (
            f"It flips late: a slew before hour angle {mount.flip_after_h:+g} h is taken to end"
            " west of the pier (mount.flip_after_h)."
        )
    if mount.standstill_h > 0:
        yield (
            f"Neither side may look from {last_h:+g} to {begins_h:+g} h: the mount stands still"
            f" for {60 * mount.standstill_h:.0f} min at each crossing, or another target that the"
            " plan has is taken meanwhile."
        )
    yield (
        f"A mount that stays on its side is stopped, told once more after {mount.flip_retry_s:g} s"
        " (mount.flip_retry_s), and then parked; the target is left for that night."
    )
    yield _side(mount)


def _side(mount: Mount) -> str:
    """Where the side of the pier is known from."""
    match mount.pier_side:
        case "solved":
            return (
                'mount.pier_side = "solved": the side is not asked of the mount; a solved frame'
                " that lies upside down shows that it has changed."
            )
        case "opposite":
            return 'mount.pier_side = "opposite": the mount is taken to report the other side.'
    return (
        'mount.pier_side = "reported": the mount says its side; one that says none is taken to go'
        " where the hour angle sends it, until a solved frame lies upside down."
    )


def _pointing(mount: Mount) -> Iterator[str]:
    """What a mount is told of its misses."""
    if not mount.sync:
        yield (
            "mount.sync = false: the mount is never told where it is; slews aim beside the target"
            " by as much as the last ones missed."
        )


def _backlash(settings: Settings) -> Iterator[str]:
    """What becomes of gears with play that the configuration does not tell of."""
    observatory = settings.observatory
    if observatory.focuser.backlash_steps == 0:
        yield (
            "focuser.backlash_steps is 0: play in the gears is found when the frame after a focus"
            " curve is not sharp, measured on the way back over the curve, taken up from then on"
            f" and kept in the ledger ({observatory.output_folder / FILE_NAME})."
        )


def _dithers(settings: Settings) -> Iterator[str]:
    """Targets whose dithers leave their radius before a long night is over."""
    policy = settings.policies.dither
    told: dict[str, list[str]] = {}
    for target in settings.targets.targets:
        dither = target.dither.over(policy)
        radius_px, least_px = dither.radius_px, dither.minimum_step_px
        if _pointings(target, dither) > room_for(radius_px, least_px):
            radius = f"a radius of {radius_px:g} px holds about {room_for(radius_px, least_px)}"
            told.setdefault(f"{radius} pointings {least_px:g} px apart", []).append(target.whole)
    for room, names in told.items():
        who = ", ".join(dict.fromkeys(names))
        yield (
            f"In a night of {LONG_NIGHT_H:g} h dithers of {who} go further out:"
            f" {room} (dither.radius_px, dither.minimum_step_px)."
        )


def _pointings(target: Target, dither: DitherPolicy) -> int:
    """How often it is dithered in a long night: as often as the filter that soonest lacks room."""
    return max(
        int(
            3600.0
            * LONG_NIGHT_H
            / group.cycle_s
            * max(sub.share / dither.room(sub.exposure_s) for sub in group.filters.values())
        )
        for group in target.groups
    )
