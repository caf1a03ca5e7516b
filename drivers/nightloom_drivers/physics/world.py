"""The simulated rig and its sky, put together from one seed."""

from functools import cached_property

import numpy as np

from nightloom_drivers.physics.cameras import GuideCamera, MainCamera
from nightloom_drivers.physics.clouds import Clouds
from nightloom_drivers.physics.cooler import Cooler
from nightloom_drivers.physics.enclosure import Cover, Panel
from nightloom_drivers.physics.focuser import Focuser
from nightloom_drivers.physics.guide_listing import GuideStars
from nightloom_drivers.physics.lightpath import Air, GuideLightPath, MainLightPath
from nightloom_drivers.physics.listing import MainStars
from nightloom_drivers.physics.mount import Mount
from nightloom_drivers.physics.optics import scale_arcsec_per_px
from nightloom_drivers.physics.outlets import Outlets
from nightloom_drivers.physics.sensor import Sensor
from nightloom_drivers.physics.site import Site
from nightloom_drivers.physics.sky import Sky
from nightloom_drivers.physics.starfield import star_source
from nightloom_drivers.physics.weather import Weather
from nightloom_drivers.physics.wheel import Wheel
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.sent import Sent

# One child stream each, in this order for ever: append, never reorder.
_STREAMS = (
    "mount", "seeing", "clouds", "haze", "temperature", "wind",
    "sensor", "camera", "guide_sensor", "guide_camera",
)  # fmt: skip


_LASTING = ("mount", "sensor", "guide_sensor")
"""What is by chance in the rig itself."""


def _streams(seed: int, night: int) -> dict[str, np.random.SeedSequence]:
    children = np.random.SeedSequence(seed).spawn(len(_STREAMS))
    streams = dict(zip(_STREAMS, children, strict=True))
    if night:
        others = np.random.SeedSequence([seed, night]).spawn(len(_STREAMS))
        passing = dict(zip(_STREAMS, others, strict=True))
        streams |= {name: passing[name] for name in _STREAMS if name not in _LASTING}
    return streams


class World:
    """Everything physical about one rig; times are Unix seconds, UTC.

    `sent` is what its cameras send. Commands to one device must come in the order of time.
    `night` numbers the nights of one rig: what is by chance in the air, and in the light, is
    another each night. `dusk_s` is the end of evening twilight of the night that `start_s` falls
    in, from which passages of weather are counted.
    """

    def __init__(
        self,
        settings: RigSettings,
        seed: int,
        start_s: float,
        sent: Sent = Sent.PIXELS,
        night: int = 0,
    ) -> None:
        self.settings, self.sent = settings, sent
        self.clock_off_s = 0.0
        """How far the computer's clock is ahead, by which its drivers date their frames."""
        streams = self._streams = _streams(seed, night)
        self.site = Site(settings.site)
        self.dusk_s = self.site.dusk_s(start_s)
        self.mount = Mount(settings.mount, self.site, streams["mount"], start_s)
        self.wheel = Wheel(settings.wheel, start_s)
        self.focuser = Focuser(settings.focuser, start_s)
        self.sky = Sky(settings.atmosphere, self.site, streams["seeing"], start_s)
        self.clouds = Clouds(
            settings.weather.clouds,
            settings.atmosphere,
            (streams["clouds"], streams["haze"]),
            start_s,
            self.dusk_s,
        )
        self.weather = Weather(
            settings.weather,
            settings.site,
            self.clouds,
            (streams["temperature"], streams["wind"]),
            start_s,
            self.dusk_s,
        )
        self.cooler = Cooler(settings.cooler, self.weather.temperature_c, start_s)
        self._cover(start_s)
        self._lay_light_paths()

    def _cover(self, start_s: float) -> None:
        """Roof, cap, panel, and what has power."""
        enclosure = self.settings.enclosure
        self.roof = Cover(start_s, enclosure.roof_travel_s, enclosure.roof_starts_open)
        self.cap = Cover(start_s, enclosure.cap_travel_s, enclosure.cap_starts_open)
        self.panel = Panel(start_s, enclosure.panel_levels)
        self.outlets = Outlets()

    def _lay_light_paths(self) -> None:
        """The light's ways to both cameras."""
        settings = self.settings
        self.air = Air(self.site, self.sky, self.clouds, self.weather)
        self.stars = star_source(settings.stars, settings.star_limit_mag)
        self.light_path = MainLightPath(
            settings,
            self.air,
            self.stars,
            self.mount,
            self.focuser,
            self.wheel,
            (self.roof, self.cap),
            self.panel,
        )
        self.guide_path = GuideLightPath(settings, self.air, self.stars, self.mount, self.roof)

    def dated(self, t_s: float) -> float:
        """What the computer's clock reads at a time, in Unix seconds."""
        return t_s + self.clock_off_s

    @cached_property
    def camera(self) -> MainCamera:
        """The cooled imaging camera, when it sends pictures."""
        settings, streams = self.settings, self._streams
        sensor = Sensor(settings.sensor, settings.optics.vignetting, streams["sensor"])
        return MainCamera(sensor, self.light_path, self.cooler, streams["camera"])

    @cached_property
    def listing_camera(self) -> MainStars:
        """The same, when it sends lists of stars."""
        settings = self.settings
        return MainStars(
            settings.sensor,
            settings.optics,
            self.light_path,
            self.cooler,
            self._streams["camera"],
        )

    @cached_property
    def guide_camera(self) -> GuideCamera:
        """The camera on the guide telescope, when it sends pictures."""
        guide, streams = self.settings.guide, self._streams
        sensor = Sensor(guide.sensor, guide.optics.vignetting, streams["guide_sensor"])
        return GuideCamera(sensor, *self._guided, streams["guide_camera"])

    @cached_property
    def listing_guide_camera(self) -> GuideStars:
        """The same, when it sends lists of stars."""
        guide, streams = self.settings.guide, self._streams
        return GuideStars(guide.sensor, *self._guided, streams["guide_camera"])

    @property
    def _guided(self) -> tuple[GuideLightPath, Weather, float, float]:
        """What the guide camera sees, in which air, and how that moves the stars."""
        guide = self.settings.guide
        return (
            self.guide_path,
            self.weather,
            self.settings.atmosphere.jitter_arcsec,
            scale_arcsec_per_px(guide.optics, guide.sensor),
        )
