"""The last resort: parked and closed with a mount and a roof alone, and no daemon.

It asks for nothing but the configuration and the server: no ledger, no camera, no target.
"""

from contextlib import ExitStack

from nightloom.ledger import FILE_NAME, Ledger, LedgerError
from nightloom.rig import safety_devices
from nightloom.rig_lock import rig_lock
from nightloom.safety import Acts, Guard, SafetyDevices, make_safe
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import LedgerUnread
from nightloom_drivers.clock import Clock, SteadyClock, WallClock
from nightloom_drivers.link.indi import IndiLink

SERVER_ANSWERS_S = 5.0
"""A server that is up answers within a second."""


async def retire_now(settings: Settings, log: Log) -> None:
    """Park and close with no daemon, from whatever state the devices are in.

    Raises BadInput when a daemon has the rig, NotSafe, and DeviceGone when no server answers.
    """
    with ExitStack() as stack:
        stack.enter_context(rig_lock(settings.observatory))
        ledger, unread = open_ledger(settings, stack)
        if unread is not None:
            log.emit(LedgerUnread(reason=str(unread)))
        server, clock = settings.observatory.server, WallClock()
        async with IndiLink(server.host, server.port, answer_s=SERVER_ANSWERS_S) as link:
            devices = safety_devices(link, settings.observatory, clock)
            await make_safe(guard_of(settings, devices, ledger, clock, log), log)


def guard_of(
    settings: Settings, devices: SafetyDevices, ledger: Ledger | None, clock: Clock, log: Log
) -> Guard:
    """A guard of its own, for the way to parked and closed."""
    return Guard(settings, devices, Acts(ledger, clock, log), SteadyClock(clock), log)


def open_ledger(settings: Settings, stack: ExitStack) -> tuple[Ledger | None, LedgerError | None]:
    """The ledger, or why it cannot be had: the rig is made safe without one."""
    try:
        file = settings.observatory.output_folder / FILE_NAME
        return stack.enter_context(Ledger(file)), None
    except LedgerError as error:
        return None, error
