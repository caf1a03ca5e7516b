"""What can go wrong with a device, as types.

    DeviceError                what was asked of which device, and what was seen instead
    ├── DeviceRefused          the device said no
    │   └── DeviceIncapable      what was asked is not in it, however often it is asked
    ├── DeviceLate             its deadline passed
    ├── DeviceContradicts      it said yes, and what it reads back is something else
    └── DeviceGone             the connection, the device or the property is no longer there

What to do about them is decided in the night only: nothing below it tries again by itself.
"""


class DeviceError(Exception):
    """A device did not do what it was asked.

    `device` and `property_name` are INDI names; `asked` and `seen` are short texts for people.
    """

    verb = "failed"

    def __init__(self, device: str, property_name: str, *, asked: str, seen: str) -> None:
        super().__init__(device, property_name, asked, seen)
        self.device, self.property_name = device, property_name
        self.asked, self.seen = asked, seen

    def __str__(self) -> str:
        return f"{self.device} {self.verb}: {self.property_name} asked {self.asked}, {self.seen}"


class DeviceRefused(DeviceError):
    """The device said no, or the request could not be a right one."""

    verb = "refused"


class DeviceIncapable(DeviceRefused):
    """What was asked is not in the device: it lacks the property, or the value is out of range.

    Asking again cannot help; whoever set it can.
    """

    verb = "cannot"


class DeviceLate(DeviceError):
    """The deadline passed before the device had done it."""

    verb = "was late"


class DeviceContradicts(DeviceError):
    """The device said it was done, and its own reading disagrees."""

    verb = "contradicts itself"


class DeviceGone(DeviceError):
    """The connection, the device or the property was lost."""

    verb = "is gone"
