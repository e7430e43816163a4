"""Which adapters Windows knows by serial number, where libusb may not open one to ask it.

Windows keeps a key for each USB device at HKLM/SYSTEM/CurrentControlSet/Enum/USB; the name of the
last one is the device's serial number, or a made-up name with "&" in it where it has none. A
device that is plugged in has a subkey "Control". Both from memory; not run on Windows.
"""

import sys
from contextlib import suppress


def serials_plugged_in(product_id: int) -> tuple[str, ...]:
    """Serial numbers of the FTDI devices of this product that are plugged in; empty elsewhere."""
    found: list[str] = []
    if sys.platform == "win32":
        import winreg

        place = rf"SYSTEM\CurrentControlSet\Enum\USB\VID_0403&PID_{product_id:04X}"
        with suppress(OSError), winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, place) as product:
            for number in range(winreg.QueryInfoKey(product)[0]):
                name = winreg.EnumKey(product, number)
                with suppress(OSError), winreg.OpenKey(product, rf"{name}\Control"):
                    found.append(name)
    return tuple(name for name in found if "&" not in name)
