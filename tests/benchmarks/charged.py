"""A virtual bench that charges its clock with the CPU time that the host's code takes.

The figure "charged" of the benchmarks: virtual wire time, with the CPU time of the thread that
drives the adapter, as measured, passing on the same clock. What overlaps with the wire costs
nothing there, what does not shows. A helper thread is not charged: it has another core.
"""

import time
from collections.abc import Iterator
from contextlib import contextmanager

from flashbench.rehearsal import Bench, NorChip, NorPart, VirtualTime
from flashbench.rehearsal.faults import ArmedFaults
from flashbench.rehearsal.usb_device import AdapterChip


class Charging:
    """A `HostGap` that tells the host's CPU from the virtual bench's.

    `host_cpu_s` is the CPU of the whole process outside the bench; with `charge` the clock of
    the bench runs on by what the calling thread took of it.
    """

    def __init__(self, clock: "ChargedTime", *, gap_us: float) -> None:
        self._clock = clock
        self._gap_s = gap_us * 1e-6
        self.bench_cpu_s = 0.0
        self._begun_s = 0.0

    def transfer_begins(self) -> float:
        self._clock.stop_charging()
        self._begun_s = time.thread_time()
        return self._gap_s

    def transfer_ends(self) -> None:
        self.bench_cpu_s += time.thread_time() - self._begun_s
        self._clock.start_charging()


class ChargedTime(VirtualTime):
    """Virtual time in which the host's own work takes as long as it takes."""

    def __init__(self, *, charge: bool) -> None:
        super().__init__()
        self._charge = charge
        self._since_s: float | None = None
        self.charged_s = 0.0

    @property
    def charging(self) -> bool:
        """Whether the host's work is put on the clock at this moment."""
        return self._since_s is not None

    def start_charging(self) -> None:
        self._since_s = time.thread_time() if self._charge else None

    def stop_charging(self) -> None:
        self._charge_up()
        self._since_s = None

    def now_s(self) -> float:
        self._charge_up()
        return super().now_s()

    def wait_s(self, seconds: float) -> None:
        self._charge_up()
        super().wait_s(seconds)

    def _charge_up(self) -> None:
        if self._since_s is None:
            return
        now_s = time.thread_time()
        super().wait_s(now_s - self._since_s)
        self.charged_s += now_s - self._since_s
        self._since_s = now_s


class Watch:
    """What passed inside `watching`."""

    model_s = 0.0
    host_cpu_s = 0.0


class ChargedBench:
    """One virtual adapter and chip, in memory."""

    def __init__(
        self,
        part: NorPart,
        contents: bytes | None,
        *,
        adapter: AdapterChip,
        gap_us: float,
        charge: bool,
    ) -> None:
        self.time = ChargedTime(charge=charge)
        self._charging = Charging(self.time, gap_us=gap_us)
        armed = ArmedFaults(())
        self.chip = NorChip(part, contents=contents, faults=armed)
        self.bench = Bench(
            self.chip,
            time=self.time,
            adapter_chip=adapter,
            host_gap=self._charging,
            armed=armed,
        )

    @contextmanager
    def watching(self) -> Iterator[Watch]:
        """Model seconds and the host's CPU seconds of what runs inside. May lie in another."""
        watch = Watch()
        was_charging = self.time.charging
        if not was_charging:
            self.time.start_charging()
        model_s, bench_s = self.time.now_s(), self._charging.bench_cpu_s
        cpu_s = time.process_time()
        yield watch
        watch.host_cpu_s = time.process_time() - cpu_s - (self._charging.bench_cpu_s - bench_s)
        watch.model_s = self.time.now_s() - model_s
        if not was_charging:
            self.time.stop_charging()
