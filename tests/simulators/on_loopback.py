"""The simulated rig on a loopback link, switched on, with a record of what its devices say."""

from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from nightloom_drivers.clock import LoopClock
from nightloom_drivers.link import LoopbackLink, Received, Said, Updated, Value, Vector
from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.simulators.rig import build_rig

START_S = datetime(2026, 11, 14, 21, tzinfo=UTC).timestamp()
SETTINGS = RigSettings(stars="seeded", star_limit_mag=12.0)


@dataclass(frozen=True)
class Bench:
    """A link with some devices of the rig switched on, and the world behind them."""

    link: LoopbackLink
    world: World
    clock: LoopClock

    async def ask(
        self, device: str, name: str, values: Mapping[str, Value], end: str = "Ok"
    ) -> Vector:
        """Send a request and wait for the vector to end in a state."""
        sent = self.link.set(device, name, values)
        return await self.link.wait(
            device, name, lambda v: v.state == end, after=sent, timeout_s=600
        )

    @contextmanager
    def story(self, device: str, *names: str) -> Iterator[list[tuple[str, str, tuple[Value, ...]]]]:
        """What the device reports of these vectors, as (name, state, values), and its frames."""
        told: list[tuple[str, str, tuple[Value, ...]]] = []

        def hear(event: object) -> None:
            match event:
                case Updated(vector) if vector.device == device and vector.name in names:
                    told.append((vector.name, str(vector.state), tuple(vector.elements.values())))
                case Received(blob) if blob.device == device:
                    told.append((blob.element, "frame", (float(len(blob.data)),)))
                case Said(talker, text) if talker == device and "message" in names:
                    told.append(("message", text, ()))

        with self.link.listen(hear):
            yield told


@asynccontextmanager
async def bench(*devices: str, settings: RigSettings = SETTINGS) -> AsyncIterator[Bench]:
    """Have these devices connected."""
    clock = LoopClock(START_S)
    rig = build_rig(settings, clock, seed=7)
    chosen = [simulator for simulator in rig.simulators if simulator.device in devices]
    async with LoopbackLink(chosen) as link:
        for simulator in chosen:
            link.keep_blobs(simulator.device)
            link.set(simulator.device, "CONNECTION", {"CONNECT": True, "DISCONNECT": False})
            last = [p.name for p in simulator.properties.values() if not p.early][-1]
            await link.wait(simulator.device, last, lambda _: True, timeout_s=5)
        yield Bench(link, rig.world, clock)
