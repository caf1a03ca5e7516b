"""Settings that are each allowed and together cannot be, or hardly can: pure, but for the clock's
time that is handed in.

What cannot be is a Problem with its mend; what is only unlikely is a sentence.
"""

from collections.abc import Iterator
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from nightloom.settings import Problem, Settings
from nightloom.settings.observatory import Observatory, Site
from nightloom.sky import Site as Place
from nightloom.sky import dark_hours, night_of

USUAL_RATIOS = (1.4, 30.0)
"""Of focal length to aperture, with any reducer or extender (common practice, no source)."""

USUAL_SCALES_ARCSEC = (0.05, 60.0)
"""Of a pixel, from planets to camera lenses (common practice, no source)."""

USUAL_NOON_H = (10.5, 15.25)
"""When the Sun is highest by the clock in winter; no zone on land is further off."""

BLIND_NAMES = {"dark", "blind", "black", "blank", "opaque", "closed", "blocked"}


def impossible(settings: Settings) -> list[Problem]:
    """What cannot be, for all that each number is allowed."""
    return list(_never_up(settings))


def unlikely(settings: Settings, now_s: float) -> list[str]:
    """Where and when it is taken to be, for a person to agree with, and what is seldom so."""
    observatory = settings.observatory
    return [
        _place(settings, now_s),
        *_clock(observatory.site, now_s),
        *_optics(observatory),
        *_blind(observatory),
        *_low(settings),
    ]


def highest_deg(latitude_deg: float, dec_deg: float) -> float:
    """Altitude where it crosses the meridian on the pole's far side: 90° less the difference."""
    return 90.0 - abs(latitude_deg - dec_deg)


def _never_up(settings: Settings) -> Iterator[Problem]:
    latitude_deg = settings.observatory.site.latitude_deg
    for target in settings.targets.targets:
        if highest_deg(latitude_deg, target.dec_deg) <= 0:
            wrong = (
                f"never rises at latitude {latitude_deg:g}°; look at its declination and at"
                " site.latitude_deg in observatory.toml, or take the target out"
            )
            yield Problem(
                "targets.toml", f'target["{target.name}"].dec', round(target.dec_deg, 4), wrong
            )


def _low(settings: Settings) -> Iterator[str]:
    """Targets that rise, and never as high as they are wanted."""
    latitude_deg = settings.observatory.site.latitude_deg
    for target in settings.targets.targets:
        floor_deg = max(target.altitude_floor_deg, settings.policies.safety.altitude_floor_deg)
        high_deg = highest_deg(latitude_deg, target.dec_deg)
        if 0 < high_deg <= floor_deg:
            yield (
                f"{target.name} is never taken: it rises to {high_deg:.0f}° at the most, and its"
                f" floor is {floor_deg:g}° (altitude_floor_deg, safety.altitude_floor_deg)."
            )


def dusk(place: Place, sun_altitude_deg: float, now_s: float, zone: str | None) -> str:
    """When it is dark there in the present night, in words."""
    dark = dark_hours(place, night_of(now_s, place), sun_altitude_deg)
    if dark is None:
        return "it does not get dark tonight"
    tz = ZoneInfo(zone) if zone else UTC
    begins, ends = (
        datetime.fromtimestamp(at_s, tz) for at_s in (dark.start_unix_s, dark.end_unix_s)
    )
    return f"it is dark tonight from {begins:%H:%M} to {ends:%H:%M} {zone or 'UTC'}"


def spelled_place(latitude_deg: float, longitude_deg: float) -> str:
    """A place as people say it; longitudes beyond 180° are west."""
    east_deg = (longitude_deg + 180.0) % 360.0 - 180.0
    north = f"{abs(latitude_deg):g}° {'north' if latitude_deg >= 0 else 'south'}"
    return f"{north}, {abs(round(east_deg, 6)):g}° {'east' if east_deg >= 0 else 'west'}"


def _place(settings: Settings, now_s: float) -> str:
    site = settings.observatory.site
    where = spelled_place(site.latitude_deg, site.longitude_deg)
    dark = dusk(site.place, settings.policies.dark.sun_altitude_deg, now_s, site.time_zone)
    return f"The site is {where}, {site.elevation_m:g} m above the sea; {dark}."


def _clock(site: Site, now_s: float) -> Iterator[str]:
    """Whether the Sun is highest near noon by the site's clock."""
    if site.time_zone is None:
        return
    here = datetime.fromtimestamp(now_s, UTC).astimezone(ZoneInfo(site.time_zone))
    offset, summer = here.utcoffset(), here.dst()
    assert offset is not None  # a zone has both
    assert summer is not None
    ahead_h = (offset - summer).total_seconds() / 3600.0
    noon_h = (12.0 + ahead_h - site.longitude_deg / 15.0) % 24.0
    if not USUAL_NOON_H[0] <= noon_h <= USUAL_NOON_H[1]:
        hours, minutes = divmod(round(60 * noon_h), 60)
        noon = f"{hours:02}:{minutes:02}"
        yield (
            f"By the clocks of {site.time_zone} the Sun is highest there at {noon}:"
            " perhaps latitude_deg and longitude_deg changed places, or a longitude west of"
            " Greenwich lacks its minus (site)."
        )


def _optics(observatory: Observatory) -> Iterator[str]:
    optics, guide = observatory.optics, observatory.guide_camera
    lowest, highest = USUAL_RATIOS
    if not lowest <= optics.focal_ratio <= highest:
        yield (
            f"The telescope is f/{optics.focal_ratio:.2g}, which is unusual: see whether"
            " optics.focal_length_mm and optics.aperture_mm are right."
        )
    scales = {"guide_camera": guide.scale_arcsec_per_px}
    if observatory.camera.pixel_um is not None:
        pixel_um = observatory.camera.pixel_um * observatory.camera.binning
        scales["camera"] = optics.scale_arcsec_per_px(pixel_um)
    for section, scale in scales.items():
        if not USUAL_SCALES_ARCSEC[0] <= scale <= USUAL_SCALES_ARCSEC[1]:
            yield (
                f"A pixel of [{section}] sees {scale:.3g}″, which is unusual: see whether its"
                " pixel_um and the focal_length_mm in front of it are right."
            )


def _blind(observatory: Observatory) -> Iterator[str]:
    for name, one in observatory.filters.items():
        if not one.blind and name.casefold() in BLIND_NAMES:
            yield (
                f"The filter {name} is taken to let light through: write blind = true into"
                f" [filter.{name}] if it does not."
            )
