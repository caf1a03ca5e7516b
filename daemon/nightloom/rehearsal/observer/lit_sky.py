"""What lights the sky of a simulated rig, in truth."""

from nightloom_drivers.physics.site import Site

MOON_EDGE_DEG = -0.8333
"""Altitude of the Moon's centre when its upper edge rises: half a degree of disc, and refraction of
34′ (Meeus, Astronomical Algorithms, chapter 15; its parallax is in the altitude)."""


def lit_by(site: Site, dark_sun_deg: float, t_s: float) -> str:
    """What lights the sky: the Sun above the altitude of the dark, or the Moon's upper edge."""
    if site.sun_altitude_deg(t_s) > dark_sun_deg:
        return "twilit"
    return "moonlit" if site.moon_altaz_deg(t_s)[0] > MOON_EDGE_DEG else "dark"
