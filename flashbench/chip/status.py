"""Bits of status register 1 that every SPI NOR chip shares."""

from typing import Final

BUSY: Final = 0x01  # WIP: a program, erase or register write is running
WRITE_ENABLED: Final = 0x02  # WEL
