"""A camera, cooled or not."""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from nightloom_drivers.clock import Clock
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.link.vector import State, Value
from nightloom_drivers.physics.cameras import Pixels, Window
from nightloom_drivers.physics.cooler import Cooler
from nightloom_drivers.rig_settings import SensorSettings
from nightloom_drivers.simulators.camera_properties import (
    SHORTEST_S,
    cooling,
    exposing,
    settings,
)
from nightloom_drivers.simulators.fits import Card, fits_bytes
from nightloom_drivers.simulators.simulator import Property, Simulator
from nightloom_drivers.simulators.star_fits import listed_bytes
from nightloom_drivers.star_list import StarList

COOLING_POLL_S = 5.0
"""How often the sensor's temperature is looked at, as in libindi's cameras."""

_KINDS: dict[str, tuple[FrameKind, str]] = {
    "FRAME_LIGHT": (FrameKind.LIGHT, "Light Frame"),
    "FRAME_BIAS": (FrameKind.BIAS, "Bias Frame"),
    "FRAME_DARK": (FrameKind.DARK, "Dark Frame"),
    "FRAME_FLAT": (FrameKind.FLAT, "Flat Frame"),
}

Exposed = Pixels | StarList
"""What an exposure gives: a picture, or only its stars."""

Expose = Callable[[float, float, FrameKind, Window, int], Exposed]
"""From start (Unix s), seconds, kind, window and binning to the frame, once it has ended."""


@dataclass(frozen=True)
class Chip:
    """What a camera simulator needs of the physics.

    `context` adds to the header what the camera hears from other devices at the given time;
    `telescope` is the focal length and aperture in mm, `dated` what the computer's clock reads.
    """

    sensor: SensorSettings
    expose: Expose
    telescope: tuple[float, float]
    cooler: Cooler | None = None
    binning_max: int = 1
    context: Callable[[float], list[Card]] = field(default=lambda _: [])
    dated: Callable[[float], float] = field(default=lambda t_s: t_s)


class CameraSimulator(Simulator):
    """A camera: Busy while it exposes and reads out, then the frame, then Ok.

    A new exposure takes the place of the one under way. The countdown is published once a
    polling period. Gain and offset are kept and written to the header; the sensor has one gain.
    """

    interface = 2

    def __init__(self, device: str, chip: Chip, clock: Clock) -> None:
        super().__init__(device)
        self._chip, self._clock = chip, clock
        self._target_c: float | None = None
        self.covered = False
        """Whether something keeps all light from the sensor."""
        self.add(*exposing(chip.sensor, _KINDS, chip.binning_max), *settings(chip.telescope))
        if chip.cooler is not None:
            self.add(*cooling(chip.cooler.temperature_c(clock.unix_s())))

    def connect(self) -> None:
        """Define CCD_INFO with zeros, and fill it when the clients have heard of it."""
        info = self.properties["CCD_INFO"]
        info.elements = dict.fromkeys(info.elements, 0.0)
        self.begin(self._fill_info())

    def disconnect(self) -> None:
        """Give the exposure up."""
        self._give_up()

    # Exposing ---------------------------------------------------------------------------------

    def on_ccd_exposure(self, values: Mapping[str, Value]) -> None:
        """Expose, in place of the exposure under way. A bias takes the shortest time."""
        exposure_s = float(values["CCD_EXPOSURE_VALUE"])
        if self.choice("CCD_FRAME_TYPE") == "FRAME_BIAS":
            exposure_s = SHORTEST_S
        self.act(self._expose(exposure_s))

    def on_ccd_abort_exposure(self, _: Mapping[str, Value]) -> None:
        self.publish("CCD_ABORT_EXPOSURE", State.OK, ABORT=False)
        self._give_up()

    def _give_up(self) -> None:
        if self.active:
            self.halt()
            self.publish("CCD_EXPOSURE", State.IDLE, CCD_EXPOSURE_VALUE=0.0)

    async def _expose(self, exposure_s: float) -> None:
        begun_s, window, kind = self._clock.unix_s(), self._window(), self.choice("CCD_FRAME_TYPE")
        binning = int(self.number("CCD_BINNING", "HOR_BIN"))
        dated_s = self._chip.dated(begun_s)
        self._count(exposure_s)
        await self.last(exposure_s, self._count)
        self._count(0.0)
        seen = FrameKind.DARK if self.covered else _KINDS[kind][0]
        frame = self._chip.expose(begun_s, exposure_s, seen, window, binning)
        cards = self._header(begun_s, dated_s, exposure_s, kind, window, binning)
        data = (
            listed_bytes(frame, cards) if isinstance(frame, StarList) else fits_bytes(frame, cards)
        )
        await asyncio.sleep(self._chip.sensor.download_s)
        self.publish_blob("CCD1", data)
        self.publish("CCD_EXPOSURE", State.OK, CCD_EXPOSURE_VALUE=0.0)

    def _count(self, left_s: float) -> None:
        self.publish("CCD_EXPOSURE", State.BUSY, CCD_EXPOSURE_VALUE=left_s)

    def _header(
        self,
        begun_s: float,
        dated_s: float,
        exposure_s: float,
        kind: str,
        window: Window,
        binning: int,
    ) -> list[Card]:
        """The cards that libindi's cameras write, so far as they are known here."""
        sensor, focal_mm = self._chip.sensor, self.number("SCOPE_INFO", "FOCAL_LENGTH")
        begun = datetime.fromtimestamp(dated_s, UTC).isoformat(timespec="milliseconds")
        cooler = self._chip.cooler
        temperature_c = cooler.temperature_c(begun_s) if cooler else float("nan")
        pixel_um = sensor.pixel_um
        return [
            ("INSTRUME", self.device, "camera"),
            ("EXPTIME", float(exposure_s), "[s] exposure"),
            ("DATE-OBS", begun[:23], "UTC at the start of the exposure"),
            ("IMAGETYP", _KINDS[kind][1], "kind of frame"),
            ("CCD-TEMP", round(temperature_c, 2), "[deg C] sensor"),
            ("GAIN", self.number("CCD_GAIN", "GAIN"), "gain setting"),
            ("OFFSET", self.number("CCD_OFFSET", "OFFSET"), "offset setting"),
            ("EGAIN", sensor.gain_e_per_adu, "[electron/adu]"),
            ("XBINNING", binning, "columns a pixel"),
            ("YBINNING", binning, "rows a pixel"),
            ("XORGSUBF", window.x, "[pixel] first column, unbinned"),
            ("YORGSUBF", window.y, "[pixel] first row, unbinned"),
            ("PIXSIZE1", pixel_um, "[um] unbinned"),
            ("PIXSIZE2", pixel_um, "[um] unbinned"),
            ("XPIXSZ", pixel_um * binning, "[um] binned"),
            ("YPIXSZ", pixel_um * binning, "[um] binned"),
            ("FOCALLEN", focal_mm, "[mm] focal length"),
            ("APTDIA", self.number("SCOPE_INFO", "APERTURE"), "[mm] aperture"),
            ("SCALE", round(206.264806 * pixel_um * binning / focal_mm, 6), "[arcsec/pixel]"),
            ("ROWORDER", "BOTTOM-UP", "the first row is the lowest"),
            *self._chip.context(begun_s),
        ]

    # Settings ---------------------------------------------------------------------------------

    def on_ccd_frame(self, values: Mapping[str, Value]) -> None:
        """Read only a part of the sensor; a part that leaves the sensor is refused."""
        part = {**self.properties["CCD_FRAME"].elements, **values}
        x, y, width, height = (int(float(part[key])) for key in ("X", "Y", "WIDTH", "HEIGHT"))
        sensor = self._chip.sensor
        if x + width > sensor.width_px or y + height > sensor.height_px:
            self.publish("CCD_FRAME", State.ALERT)
            return
        self.publish("CCD_FRAME", State.OK, X=x, Y=y, WIDTH=width, HEIGHT=height)

    def on_ccd_frame_reset(self, _: Mapping[str, Value]) -> None:
        sensor = self._chip.sensor
        size = {"WIDTH": float(sensor.width_px), "HEIGHT": float(sensor.height_px)}
        self.publish("CCD_FRAME_RESET", State.OK, RESET=False)
        self.publish("CCD_FRAME", State.OK, X=0.0, Y=0.0, **size)
        self.publish("CCD_BINNING", State.OK, HOR_BIN=1.0, VER_BIN=1.0)

    def on_ccd_binning(self, values: Mapping[str, Value]) -> None:
        """Join pixels, as many in both directions."""
        across, down = values.get("HOR_BIN"), values.get("VER_BIN")
        if across == down and across in range(1, self._chip.binning_max + 1):
            self.publish("CCD_BINNING", State.OK, **values)
        else:
            self.publish("CCD_BINNING", State.ALERT)

    def on_upload_mode(self, values: Mapping[str, Value]) -> None:
        self._accept_only("UPLOAD_MODE", "UPLOAD_CLIENT", values)

    def on_ccd_transfer_format(self, values: Mapping[str, Value]) -> None:
        self._accept_only("CCD_TRANSFER_FORMAT", "FORMAT_FITS", values)

    def on_ccd_compression(self, values: Mapping[str, Value]) -> None:
        self._accept_only("CCD_COMPRESSION", "INDI_DISABLED", values)

    def _accept_only(self, name: str, element: str, values: Mapping[str, Value]) -> None:
        """Of the ways that the vector has names for, the camera knows one."""
        if values.get(element) is True:
            self.publish(name, State.OK)
        else:
            self.publish(name, State.ALERT)
            self.say(f"{name} can only be {element}", "WARNING")

    def _window(self) -> Window:
        part = self.properties["CCD_FRAME"].elements
        return Window(*(int(float(part[key])) for key in ("X", "Y", "WIDTH", "HEIGHT")))

    async def _fill_info(self) -> None:
        sensor = self._chip.sensor
        pixel = dict.fromkeys(
            ("CCD_PIXEL_SIZE", "CCD_PIXEL_SIZE_X", "CCD_PIXEL_SIZE_Y"), sensor.pixel_um
        )
        size = {"CCD_MAX_X": float(sensor.width_px), "CCD_MAX_Y": float(sensor.height_px)}
        self.publish("CCD_INFO", State.OK, **size, **pixel, CCD_BITSPERPIXEL=16.0)

    # Cooling ----------------------------------------------------------------------------------

    def on_ccd_temperature(self, values: Mapping[str, Value]) -> None:
        """Cool to a temperature; what is published is always the measured one."""
        self._target_c = float(values["CCD_TEMPERATURE_VALUE"])
        self._drive()
        self.publish("CCD_TEMPERATURE", State.BUSY)
        self.publish("CCD_COOLER", State.BUSY, COOLER_ON=True, COOLER_OFF=False)

    def on_ccd_cooler(self, values: Mapping[str, Value]) -> None:
        on = values.get("COOLER_ON") is True
        if self._chip.cooler is not None:
            self._chip.cooler.switch(self._clock.unix_s(), on)
        if not on:
            self._target_c = None
        state = State.BUSY if on else State.IDLE
        self.publish("CCD_COOLER", state, COOLER_ON=on, COOLER_OFF=not on)

    async def live(self) -> None:
        """Look at the temperature, and lead it along the ramp to its target."""
        while self._chip.cooler is not None:
            await asyncio.sleep(COOLING_POLL_S)
            self._look(self._chip.cooler)

    def _look(self, cooler: Cooler) -> None:
        now_s = self._clock.unix_s()
        measured_c, power = cooler.temperature_c(now_s), 100.0 * cooler.power(now_s)
        held = self.properties["CCD_TEMPERATURE"]
        state = held.state
        if self._target_c is not None:
            near = abs(measured_c - self._target_c) <= self.number(
                "CCD_TEMP_RAMP", "RAMP_THRESHOLD"
            )
            state = State.OK if near else state
            self._drive()
        if state is not held.state or abs(measured_c - float(_only(held))) >= 0.05:
            self.publish("CCD_TEMPERATURE", state, CCD_TEMPERATURE_VALUE=round(measured_c, 3))
        if abs(power - float(_only(self.properties["CCD_COOLER_POWER"]))) >= 1.0:
            self.publish("CCD_COOLER_POWER", State.OK, CCD_COOLER_VALUE=round(power, 1))

    def _drive(self) -> None:
        """Give the cooler its next set-point: the target, or a step towards it with a ramp."""
        cooler, now_s = self._chip.cooler, self._clock.unix_s()
        if cooler is None or self._target_c is None:
            return
        slope = self.number("CCD_TEMP_RAMP", "RAMP_SLOPE")
        here_c = cooler.temperature_c(now_s)
        step_c = slope * COOLING_POLL_S / 60.0 if slope > 0 else abs(self._target_c - here_c)
        next_c = min(max(self._target_c, here_c - step_c), here_c + step_c)
        if next_c != cooler.setpoint_c or not cooler.is_on:
            cooler.set_point(now_s, next_c)


def _only(held: Property) -> Value:
    """The value of a vector with one element."""
    (value,) = held.elements.values()
    return value
