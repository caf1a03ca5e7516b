"""What is done beside parking and closing, as well as it can be: it never holds them up."""

from nightloom.night.context import Context
from nightloom.telemetry.events import DeviceTrouble, UnexpectedError
from nightloom_drivers.errors import DeviceError


async def beside(context: Context, reason: str) -> None:
    """Let go of the guide stars and close the cap; what fails is told and left."""
    try:
        await context.guiding.stop(reason)
        if context.rig.dust_cap is not None:
            await context.rig.dust_cap.close()
    except DeviceError as error:
        context.log.emit(DeviceTrouble.of(error, "the roof closes all the same"))
    except Exception as error:  # noqa: BLE001  # whatever it is, the roof closes
        context.log.emit(UnexpectedError(kind=type(error).__name__, text=str(error)))
