"""What is done beside parking and closing, as well as it can be: it never holds them up."""

from nightloom.night.context import Context
from nightloom.telemetry.events import DeviceTrouble
from nightloom_drivers.errors import DeviceError


async def beside(context: Context, reason: str) -> None:
    """Let go of the guide stars and close the cap; what fails is told and left."""
    await context.guiding.stop(reason)
    cap = context.rig.dust_cap
    if cap is None:
        return
    try:
        await cap.close()
    except DeviceError as error:
        context.log.emit(DeviceTrouble.of(error, "the roof closes all the same"))
