"""A motorised dust cap."""

from collections.abc import Mapping

from nightloom_drivers.clock import Clock
from nightloom_drivers.link.vector import Kind, State, Value
from nightloom_drivers.physics.enclosure import Cover
from nightloom_drivers.simulators.simulator import Property, Simulator


class DustCapSimulator(Simulator):
    """CAP_PARK: parked is closed."""

    interface = 512

    def __init__(self, device: str, cap: Cover, clock: Clock) -> None:
        super().__init__(device)
        self._cap, self._clock = cap, clock
        self.add(
            Property("CAP_PARK", Kind.SWITCH, {"PARK": False, "UNPARK": False}),
            Property("CAP_ABORT", Kind.SWITCH, {"ABORT": False}, rule="AtMostOne"),
        )

    def connect(self) -> None:
        """Tell where the cap is found; half-way both switches stay off."""
        now_s, held = self._clock.unix_s(), self.properties["CAP_PARK"]
        held.elements = {"PARK": self._cap.is_closed(now_s), "UNPARK": self._cap.is_open(now_s)}
        held.state = State.OK if True in held.elements.values() else State.IDLE

    def on_cap_park(self, values: Mapping[str, Value]) -> None:
        """Begin to move; a request in the middle turns the cap round."""
        opening, now_s = values.get("UNPARK") is True, self._clock.unix_s()
        duration_s = self._cap.open(now_s) if opening else self._cap.close(now_s)
        self.publish("CAP_PARK", State.BUSY, PARK=not opening, UNPARK=opening)
        self.act(self._travel(duration_s))

    def on_cap_abort(self, _: Mapping[str, Value]) -> None:
        """Stop in the middle."""
        if self.active:
            self.halt()
            self._cap.abort(self._clock.unix_s())
            self.publish("CAP_PARK", State.ALERT, PARK=False, UNPARK=False)
        self.publish("CAP_ABORT", State.OK, ABORT=False)

    async def _travel(self, duration_s: float) -> None:
        await self.last(duration_s)
        self.publish("CAP_PARK", State.OK)
