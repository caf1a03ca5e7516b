"""A roll-off roof, as INDI's dome devices present it."""

from collections.abc import Callable, Mapping

from nightloom_drivers.clock import Clock
from nightloom_drivers.link.vector import Kind, State, Value
from nightloom_drivers.physics.enclosure import Cover
from nightloom_drivers.simulators.simulator import Property, Simulator


class RoofSimulator(Simulator):
    """DOME_SHUTTER and DOME_PARK are two faces of one motion: parked is closed.

    With MOUNT_LOCKS the roof refuses to close over a mount that is not parked.
    """

    interface = 32

    def __init__(
        self, device: str, roof: Cover, clock: Clock, mount_is_parked: Callable[[], bool]
    ) -> None:
        super().__init__(device)
        self._roof, self._clock, self._mount_is_parked = roof, clock, mount_is_parked
        self.add(
            _switches("DOME_SHUTTER", "SHUTTER_OPEN", "SHUTTER_CLOSE", rule="AtMostOne"),
            _switches("DOME_PARK", "PARK", "UNPARK"),
            _switches("DOME_ABORT_MOTION", "ABORT", rule="AtMostOne"),
            _switches("MOUNT_POLICY", "MOUNT_IGNORED", "MOUNT_LOCKS"),
        )
        self.properties["MOUNT_POLICY"].elements["MOUNT_IGNORED"] = True

    def connect(self) -> None:
        """Tell where the roof is found: between its ends both switches stay off."""
        now_s = self._clock.unix_s()
        at_end = self._roof.is_open(now_s) or self._roof.is_closed(now_s)
        for name, values in _faces(self._roof.is_open(now_s)).items():
            held = self.properties[name]
            held.elements = dict(values) if at_end else dict.fromkeys(held.elements, False)
            held.state = State.OK if at_end else State.IDLE

    def on_dome_shutter(self, values: Mapping[str, Value]) -> None:
        self._move("DOME_SHUTTER", opening=values.get("SHUTTER_OPEN") is True)

    def on_dome_park(self, values: Mapping[str, Value]) -> None:
        opening = values.get("UNPARK") is True
        if self.active and self.choice("DOME_PARK") == ("UNPARK" if opening else "PARK"):
            return  # Under way already: libindi's domes do not answer then.
        self._move("DOME_PARK", opening)

    def on_dome_abort_motion(self, _: Mapping[str, Value]) -> None:
        """Stop in the middle; the shutter's switch still shows what was asked."""
        if self.active:
            self.halt()
            self._roof.abort(self._clock.unix_s())
            self.publish("DOME_PARK", State.ALERT, PARK=False, UNPARK=False)
            self.publish("DOME_SHUTTER", State.ALERT)
            self.say("The roof was stopped", "WARNING")
        self.publish("DOME_ABORT_MOTION", State.OK, ABORT=False)

    def _move(self, asked: str, opening: bool) -> None:
        locks = self.choice("MOUNT_POLICY") == "MOUNT_LOCKS"
        if locks and not opening and not self._mount_is_parked():
            self.publish(asked, State.ALERT)
            self.say("The mount is not parked: the roof stays open", "ERROR")
            return
        now_s = self._clock.unix_s()
        there = self._roof.is_open(now_s) if opening else self._roof.is_closed(now_s)
        if there and not self.active:
            self.publish(asked, State.OK, **_faces(opening)[asked])
            return
        duration_s = self._roof.open(now_s) if opening else self._roof.close(now_s)
        self._publish_both(opening, State.BUSY)
        self.say("Opening" if opening else "Closing")
        self.act(self._travel(opening, duration_s))

    async def _travel(self, opening: bool, duration_s: float) -> None:
        await self.last(duration_s)
        self._publish_both(opening, State.OK)

    def _publish_both(self, opening: bool, state: State) -> None:
        for name, values in _faces(opening).items():
            self.publish(name, state, **values)


def _faces(is_open: bool) -> dict[str, dict[str, bool]]:
    """How both properties show a roof that is (to be) open or closed."""
    return {
        "DOME_PARK": {"PARK": not is_open, "UNPARK": is_open},
        "DOME_SHUTTER": {"SHUTTER_OPEN": is_open, "SHUTTER_CLOSE": not is_open},
    }


def _switches(name: str, *elements: str, rule: str = "OneOfMany") -> Property:
    return Property(name, Kind.SWITCH, dict.fromkeys(elements, False), rule=rule)
