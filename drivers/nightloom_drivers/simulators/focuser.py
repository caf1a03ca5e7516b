"""A motor focuser."""

from collections.abc import Callable, Mapping

from nightloom_drivers.clock import Clock
from nightloom_drivers.link.vector import Kind, State, Value
from nightloom_drivers.physics.focuser import Focuser
from nightloom_drivers.simulators.simulator import Property, Simulator

THERMOMETER_S = 30.0
"""How often the thermometer is read."""


class FocuserSimulator(Simulator):
    """An absolute focuser that reports its position while it moves, and takes no backlash up.

    FOCUS_SYNC renames the position: what is published differs from the physics by `_zero_steps`.
    """

    interface = 8

    def __init__(
        self,
        device: str,
        focuser: Focuser,
        clock: Clock,
        temperature_c: Callable[[float], float],
    ) -> None:
        super().__init__(device)
        self._focuser, self._clock, self._temperature_c = focuser, clock, temperature_c
        self._zero_steps = 0
        top = float(focuser.settings.range_steps)
        place = float(focuser.position(clock.unix_s()))
        self.add(
            _number("ABS_FOCUS_POSITION", "FOCUS_ABSOLUTE_POSITION", place, (0.0, top)),
            _number("REL_FOCUS_POSITION", "FOCUS_RELATIVE_POSITION", 0.0, (1.0, top)),
            _number("FOCUS_SYNC", "FOCUS_SYNC_VALUE", place, (0.0, top)),
            _number("FOCUS_MAX", "FOCUS_MAX_VALUE", top, (1.0, top)),
            Property("FOCUS_MOTION", Kind.SWITCH, {"FOCUS_INWARD": True, "FOCUS_OUTWARD": False}),
            Property("FOCUS_ABORT_MOTION", Kind.SWITCH, {"ABORT": False}, rule="AtMostOne"),
            Property(
                "FOCUS_BACKLASH_TOGGLE",
                Kind.SWITCH,
                {"INDI_ENABLED": False, "INDI_DISABLED": True},
            ),
            _number("FOCUS_BACKLASH_STEPS", "FOCUS_BACKLASH_VALUE", 0.0, (0.0, 1000.0)),
            Property(
                "FOCUS_TEMPERATURE",
                Kind.NUMBER,
                {"TEMPERATURE": round(temperature_c(clock.unix_s()), 2)},
                state=State.OK,
                writable=False,
            ),
        )

    def on_abs_focus_position(self, values: Mapping[str, Value]) -> None:
        """Move, in place of a move under way."""
        asked_steps = round(float(values["FOCUS_ABSOLUTE_POSITION"]))
        target_steps = asked_steps - self._zero_steps
        if not 0 <= target_steps <= self._focuser.settings.range_steps:  # after FOCUS_SYNC
            self.publish("ABS_FOCUS_POSITION", State.ALERT)
            return
        duration_s = self._focuser.move_to(self._clock.unix_s(), target_steps)
        self.publish("ABS_FOCUS_POSITION", State.BUSY)
        self.act(self._move(duration_s))

    def on_rel_focus_position(self, values: Mapping[str, Value]) -> None:
        """Move by so much in the direction of FOCUS_MOTION; ABS_FOCUS_POSITION tells of it."""
        asked = float(values["FOCUS_RELATIVE_POSITION"])
        signed = asked if self.choice("FOCUS_MOTION") == "FOCUS_OUTWARD" else -asked
        target = self._position() + signed
        if not 0.0 <= target <= self.number("FOCUS_MAX", "FOCUS_MAX_VALUE"):
            self.publish("REL_FOCUS_POSITION", State.ALERT)
            return
        self.publish("REL_FOCUS_POSITION", State.OK, FOCUS_RELATIVE_POSITION=asked)
        self.on_abs_focus_position({"FOCUS_ABSOLUTE_POSITION": target})

    def on_focus_abort_motion(self, _: Mapping[str, Value]) -> None:
        self.publish("FOCUS_ABORT_MOTION", State.OK, ABORT=False)
        if self.active:
            self.halt()
            self._focuser.abort(self._clock.unix_s())
            self._publish_position(State.IDLE)

    def on_focus_sync(self, values: Mapping[str, Value]) -> None:
        """Call the present position by another number."""
        asked_steps = round(float(values["FOCUS_SYNC_VALUE"]))
        self._zero_steps = asked_steps - self._focuser.position(self._clock.unix_s())
        self.publish("FOCUS_SYNC", State.OK, FOCUS_SYNC_VALUE=float(asked_steps))
        self._publish_position(self.properties["ABS_FOCUS_POSITION"].state)

    def on_focus_max(self, values: Mapping[str, Value]) -> None:
        """Limit the positions that may be asked for, without a move."""
        top = float(values["FOCUS_MAX_VALUE"])
        self.publish("FOCUS_MAX", State.OK, FOCUS_MAX_VALUE=top)
        for name in ("ABS_FOCUS_POSITION", "REL_FOCUS_POSITION", "FOCUS_SYNC"):
            held = self.properties[name]
            held.limits = {key: (low, top) for key, (low, _) in held.limits.items()}
            self.publish(name)

    def on_focus_backlash_toggle(self, values: Mapping[str, Value]) -> None:
        """The focuser cannot take up its own backlash, and says so."""
        if values.get("INDI_ENABLED") is True:
            self.publish("FOCUS_BACKLASH_TOGGLE", State.ALERT)
            self.say("This focuser has no backlash compensation", "WARNING")
        else:
            self.publish("FOCUS_BACKLASH_TOGGLE", State.OK)

    def on_focus_backlash_steps(self, _: Mapping[str, Value]) -> None:
        """Refused as libindi does while compensation is off."""
        self.publish("FOCUS_BACKLASH_STEPS", State.IDLE)
        self.say("Backlash compensation must be enabled first", "WARNING")

    async def live(self) -> None:
        """Read the thermometer, and tell when it has changed."""
        while True:
            temperature_c = round(self._temperature_c(self._clock.unix_s()), 2)
            if abs(temperature_c - self.number("FOCUS_TEMPERATURE", "TEMPERATURE")) >= 0.05:
                self.publish("FOCUS_TEMPERATURE", State.OK, TEMPERATURE=temperature_c)
            await self.last(THERMOMETER_S)

    async def _move(self, duration_s: float) -> None:
        await self.last(duration_s, lambda _: self._publish_position(State.BUSY))
        self._publish_position(State.OK)

    def _position(self) -> float:
        return float(self._focuser.position(self._clock.unix_s()) + self._zero_steps)

    def _publish_position(self, state: State) -> None:
        self.publish("ABS_FOCUS_POSITION", state, FOCUS_ABSOLUTE_POSITION=self._position())


def _number(name: str, element: str, value: float, limits: tuple[float, float]) -> Property:
    return Property(name, Kind.NUMBER, {element: value}, {element: limits}, group="Focuser")
