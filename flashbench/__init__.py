"""Dump, edit, rewrite and prove SPI NOR flash chips on FTDI adapters.

The job as a library, each step taking the evidence that the step before it made:

    with open_adapter(device, interface=1, clock_hz=30_000_000) as adapter:
        chip = identify(adapter, supply_volts=3.3)
        job = Job.create(folder, chip)
        backup = back_up(read_twice(chip), job)
        plan = plan_rewrite(chip, backup, new_image)
        proof = verify(rewrite(plan))
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flashbench.adapter import Adapter, open_adapter, open_url
    from flashbench.chip.contact import check_contact, find_clock, watch
    from flashbench.chip.identity import Identified, identify
    from flashbench.job.folder import Job
    from flashbench.safe_write.backup import Backup, back_up, reload_backup
    from flashbench.safe_write.best_reading import (
        BestReading,
        read_best_effort,
        reload_best_reading,
    )
    from flashbench.safe_write.found import Found, read_for_recovery
    from flashbench.safe_write.kept import Kept, keep_contents
    from flashbench.safe_write.plan import Plan, plan_recovery, plan_replacement, plan_rewrite
    from flashbench.safe_write.rewrite import Written, rewrite
    from flashbench.safe_write.stable_read import StableRead, read_twice
    from flashbench.safe_write.verify import Verified, verify

_HOMES = {
    "Adapter": "flashbench.adapter",
    "open_adapter": "flashbench.adapter",
    "open_url": "flashbench.adapter",
    "Identified": "flashbench.chip.identity",
    "identify": "flashbench.chip.identity",
    "check_contact": "flashbench.chip.contact",
    "watch": "flashbench.chip.contact",
    "find_clock": "flashbench.chip.contact",
    "Job": "flashbench.job.folder",
    "Backup": "flashbench.safe_write.backup",
    "back_up": "flashbench.safe_write.backup",
    "reload_backup": "flashbench.safe_write.backup",
    "Found": "flashbench.safe_write.found",
    "read_for_recovery": "flashbench.safe_write.found",
    "Kept": "flashbench.safe_write.kept",
    "keep_contents": "flashbench.safe_write.kept",
    "BestReading": "flashbench.safe_write.best_reading",
    "read_best_effort": "flashbench.safe_write.best_reading",
    "reload_best_reading": "flashbench.safe_write.best_reading",
    "Plan": "flashbench.safe_write.plan",
    "plan_replacement": "flashbench.safe_write.plan",
    "plan_recovery": "flashbench.safe_write.plan",
    "plan_rewrite": "flashbench.safe_write.plan",
    "StableRead": "flashbench.safe_write.stable_read",
    "read_twice": "flashbench.safe_write.stable_read",
    "Written": "flashbench.safe_write.rewrite",
    "rewrite": "flashbench.safe_write.rewrite",
    "Verified": "flashbench.safe_write.verify",
    "verify": "flashbench.safe_write.verify",
}

__all__ = [
    "open_adapter",
    "open_url",
    "Adapter",
    "check_contact",
    "watch",
    "identify",
    "Identified",
    "find_clock",
    "Job",
    "read_twice",
    "StableRead",
    "back_up",
    "reload_backup",
    "Backup",
    "plan_rewrite",
    "plan_recovery",
    "Plan",
    "rewrite",
    "Written",
    "verify",
    "Verified",
    "read_for_recovery",
    "Found",
    "keep_contents",
    "Kept",
    "plan_replacement",
    "read_best_effort",
    "reload_best_reading",
    "BestReading",
]


def __getattr__(name: str) -> object:
    """Import a public name when it is first asked for: the command line starts faster so."""
    from importlib import import_module

    if name not in _HOMES:
        raise AttributeError(f"module 'flashbench' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
