"""What follows from good settings and is worth knowing before the first night alone."""

from collections.abc import Iterator

from nightloom.settings.observatory import Mount, Observatory


def notes(observatory: Observatory) -> list[str]:
    """One sentence for each consequence, with the settings that lead to it."""
    return list(_crossing(observatory.mount))


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
    if mount.standstill_h > 0:
        yield (
            f"Neither side may look from {last_h:+g} to {begins_h:+g} h: the mount stands still"
            f" for {60 * mount.standstill_h:.0f} min at each crossing."
        )
    yield (
        f"A mount that stays on its side is stopped, told once more after {mount.flip_retry_s:g} s"
        " (mount.flip_retry_s), and then parked; the target is left for that night."
    )
    if mount.pier_side == "solved":
        yield (
            'mount.pier_side = "solved": the side is not asked of the mount; a solved frame that'
            " lies upside down shows that it has changed."
        )
    if mount.pier_side == "opposite":
        yield 'mount.pier_side = "opposite": the mount is taken to report the other side.'
