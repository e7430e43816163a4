"""What stands in the way of opening an adapter, and the one thing that mends it. Pure text.

libusb reports through pyusb, and pyftdi wraps some of it again without the error number, so the
number is looked for along the chain of causes.
"""

import errno
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

UDEV_RULE: Final = (
    'SUBSYSTEM=="usb", ATTR{idVendor}=="0403", ATTR{idProduct}=="6010|6011|6014", TAG+="uaccess"'
)
"""The rule of udev/60-flashbench.rules, for those who have no copy of that file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hindrance:
    """Something about an adapter that the user should know before opening it."""

    seen: str
    mend: str
    blocks: bool = True  # False: it opens all the same


def usb_errno(error: BaseException) -> int | None:
    """The error number of `error` or of what it was raised for."""
    seen: BaseException | None = error
    while seen is not None:
        number = getattr(seen, "errno", None)
        if isinstance(number, int):
            return number
        seen = seen.__cause__ or seen.__context__
    return None


def hindrance_of(error: BaseException, *, platform: str, serials: Sequence[str] = ()) -> Hindrance:
    """The sentences for an exception met while opening. `platform` is as in `sys.platform`.

    `serials` are those of the adapters of this kind that are plugged in, if the system told.
    """
    number = usb_errno(error)
    if number in (errno.EACCES, errno.EPERM):
        return _no_permission(platform)
    if number == errno.EBUSY:
        return in_use("", platform=platform)
    if number in (errno.ENODEV, errno.ESHUTDOWN):
        return Hindrance(
            seen="The adapter has left the USB since it was found.",
            mend="Plug it in again and repeat the command.",
        )
    if isinstance(error, NotImplementedError) or (
        platform == "win32" and number in (errno.ENOENT, errno.ENOSYS)
    ):
        return _no_usable_driver(platform, serials)
    if isinstance(error, ValueError) and "langid" in str(error):
        # pyusb says this when it could not open the device to read its strings.
        return _no_permission(platform)
    detail = str(error) or type(error).__name__
    return Hindrance(
        seen=f"The adapter does not open: {detail}.",
        mend="Unplug it, plug it into another USB socket, and repeat the command.",
    )


def no_usb_library(platform: str) -> Hindrance:
    """libusb could not be loaded at all."""
    return Hindrance(
        seen=f"The USB library libusb could not be loaded on this machine ({platform}).",
        mend="Install flashbench again with pip, which brings libusb in the package"
        " libusb-package.",
    )


def in_use(ports: str, *, platform: str, blocks: bool = True) -> Hindrance:
    """Another program has claimed `ports` ("A", "A and B"; empty: the one asked for)."""
    if platform == "win32":
        mend = "Close the program that uses it, then repeat the command."
    elif platform == "darwin":
        mend = "Close the program that uses it (a serial terminal, perhaps), then repeat."
    else:
        mend = "End the process that uses it (`lsof /dev/bus/usb/*/*` shows it), then repeat."
    which = f"port {ports}" if ports else "this port"
    return Hindrance(
        seen=f"Another program is using {which} of the adapter.", mend=mend, blocks=blocks
    )


def kernel_serial_driver(ports: str, *, platform: str) -> Hindrance:
    """The system drives `ports` as serial ports."""
    if platform == "darwin":
        return Hindrance(
            seen=f"A serial driver has taken port {ports} of the adapter.",
            mend="Remove FTDI's own serial driver, the one that macOS brings may stay.",
        )
    return Hindrance(
        seen=f"The system drives port {ports} of the adapter as a serial port.",
        mend="Nothing to do: it is taken over while flashbench works and given back after;"
        " close any terminal program on it first.",
        blocks=False,
    )


def blank_eeprom(place: str) -> Hindrance:
    """The adapter has no serial number, so nothing tells it from the next one."""
    return Hindrance(
        seen="The adapter has no serial number: its EEPROM is blank or absent.",
        mend=f"With more than one of them, name it by its place, {place}; the place changes when"
        " it is plugged in again.",
        blocks=False,
    )


def _no_permission(platform: str) -> Hindrance:
    if platform == "win32":
        return Hindrance(
            seen="Windows does not let this program open the adapter.",
            mend="Close every other program that uses it, then repeat the command.",
        )
    if platform == "darwin":
        return Hindrance(
            seen="The adapter may not be opened here; on macOS that usually means FTDI's own driver"
            " is installed and holds it.",
            mend="Remove FTDI's serial (VCP) or D2XX driver and plug the adapter in again.",
        )
    return Hindrance(
        seen="This user may not open the adapter.",
        mend="Run `flashbench adapters --udev-rule | sudo tee"
        " /etc/udev/rules.d/60-flashbench.rules`, then `sudo udevadm control --reload`, and plug"
        " the adapter in again.",
    )


def _no_usable_driver(platform: str, serials: Sequence[str]) -> Hindrance:
    if platform != "win32":
        return Hindrance(
            seen="The USB library cannot open this device on this system.",
            mend="Plug the adapter straight into the machine, not through a virtual or remote bus.",
        )
    which, first, only = _which_on_windows(serials)
    return Hindrance(
        seen=f"Windows has no driver bound to {which} that libusb can use.",
        mend=f"{first} update the driver of {only} (not of an entry with &MI_ in it) to Windows'"
        " own WinUSB. Its COM port is gone while that lasts; to undo it, take the former driver in"
        " the same dialogue.",
    )


def _which_on_windows(serials: Sequence[str]) -> tuple[str, str, str]:
    """The adapter, how to find it, and the one entry of Device Manager that is meant."""
    find = "In Device Manager"
    if len(serials) == 1:
        only = f"the one device whose instance path ends in \\{serials[0]}"
        return f"the adapter {serials[0]}", find, only
    if serials:
        listed = " or ".join(f"\\{serial}" for serial in serials)
        only = f"the one that you wired, whose instance path ends in {listed}"
        return f"an adapter ({', '.join(serials)})", find, only
    return "the adapter", "Unplug every other FTDI device. In Device Manager", "the adapter"
