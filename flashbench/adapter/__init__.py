"""Bytes on the wire: frames, MPSSE streams, finding and opening an FTDI adapter."""

from flashbench.adapter.adapter import Adapter, AdapterFacts
from flashbench.adapter.extra_pins import ExtraPins, pin_mask
from flashbench.adapter.find import (
    FoundAdapter,
    find_adapters,
    open_adapter,
    open_only_adapter,
    open_url,
)
from flashbench.adapter.hindrance import Hindrance
from flashbench.adapter.loopback import LoopbackProof, prove_by_loopback
from flashbench.adapter.mpsse import SampleEdge
from flashbench.adapter.time_source import SystemTime, TimeSource

__all__ = [
    "find_adapters",
    "FoundAdapter",
    "Hindrance",
    "open_adapter",
    "open_only_adapter",
    "open_url",
    "prove_by_loopback",
    "LoopbackProof",
    "ExtraPins",
    "pin_mask",
    "SampleEdge",
    "Adapter",
    "AdapterFacts",
    "SystemTime",
    "TimeSource",
]
