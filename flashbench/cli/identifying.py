"""Which chip a command takes for the one in the socket: any, or one that its job has met."""

from typing import TYPE_CHECKING

from flashbench.cli.bench import Identify
from flashbench.cli.options import BenchOptions

if TYPE_CHECKING:
    from flashbench.adapter import Adapter
    from flashbench.chip.identity import Identified
    from flashbench.job.folder import Job


def any_chip(options: BenchOptions) -> Identify:
    """Whatever chip answers, as the options describe it."""

    def identified(opened: "Adapter", volts: float) -> "Identified":
        from flashbench.chip.identity import identify

        return identify(
            opened,
            supply_volts=volts,
            marking=options.marking,
            datasheet_volts=options.datasheet_supply,
        )

    return identified


def chip_of(job: "Job", options: BenchOptions) -> Identify:
    """A chip of the job: what the options leave out, the job knows."""

    def identified(opened: "Adapter", volts: float) -> "Identified":
        from flashbench.safe_write.steps import identify_for

        return identify_for(
            opened,
            job,
            supply_volts=volts,
            marking=options.marking,
            datasheet_volts=options.datasheet_supply,
        )

    return identified


def at_first_contact(identify: Identify) -> Identify:
    """At the clock of first contact: the one to work at is found afterwards."""

    def identified(opened: "Adapter", volts: float) -> "Identified":
        from flashbench.chip.identity import FIRST_CONTACT_HZ

        with opened.clock_limited_to(FIRST_CONTACT_HZ):
            return identify(opened, volts)

    return identified
