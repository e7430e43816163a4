"""A bench without hardware: a virtual FTDI adapter, and a NOR chip stricter than a real one.

Imports nothing of the rooms it is used to test, so that a wrong belief of the driver cannot also
be the model's.
"""

from flashbench.rehearsal.bench import (
    DEFAULT_PART,
    Bench,
    add_chip,
    arm,
    create_bench,
    in_memory_bench,
    open_bench,
    power_cycle,
    swap_chip,
)
from flashbench.rehearsal.nor_chip import Complaint, NorChip
from flashbench.rehearsal.nor_part import NorPart, load_part, part_names
from flashbench.rehearsal.virtual_time import FixedHostGap, VirtualTime

__all__ = [
    "DEFAULT_PART",
    "Bench",
    "Complaint",
    "FixedHostGap",
    "NorChip",
    "NorPart",
    "VirtualTime",
    "add_chip",
    "arm",
    "create_bench",
    "in_memory_bench",
    "load_part",
    "open_bench",
    "part_names",
    "power_cycle",
    "swap_chip",
]
