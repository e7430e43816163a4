"""`flashbench adapters` on the virtual USB: what stands in the way, and what mends it."""

import errno
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from usb.core import USBError

from flashbench.adapter import find_adapters
from flashbench.rehearsal import VirtualTime
from flashbench.rehearsal.spi_target import EmptySocket
from flashbench.rehearsal.usb_device import AdapterChip, VirtualAdapter, VirtualUsb
from tests.cli.workplace import run, three_lines, told


class ObstinateUsb(VirtualUsb):
    """A virtual bus whose adapters do not open, or are held by the kernel's serial driver."""

    def __init__(self, *adapters: VirtualAdapter) -> None:
        super().__init__(adapters)
        self.open_error: Exception | None = None
        self.kernel_has: set[int] = set()

    def open_device(self, dev: VirtualAdapter) -> VirtualAdapter:
        if self.open_error is not None:
            raise self.open_error
        return super().open_device(dev)

    def is_kernel_driver_active(self, dev_handle: VirtualAdapter, intf: int) -> bool:
        return intf in self.kernel_has


def an_adapter(chip: AdapterChip = "FT232H", **how: Any) -> VirtualAdapter:
    return VirtualAdapter(EmptySocket(), chip=chip, time=VirtualTime(), **how)


def plug_in(
    monkeypatch: pytest.MonkeyPatch, usb: VirtualUsb | None, *, platform: str = "linux"
) -> None:
    """Make the command line meet this bus, on this system."""
    monkeypatch.setattr("libusb_package.get_libusb1_backend", lambda: usb)
    monkeypatch.setattr(
        "flashbench.adapter.find_adapters", partial(find_adapters, platform=platform)
    )


def screen() -> str:
    """What the command prints, with its line breaks taken out."""
    result = run("adapters")
    assert result.exit_code == 0, result.stderr
    return " ".join(result.stdout.split())


NO_PERMISSION = USBError("Access denied (insufficient permissions)", -3, errno.EACCES)
NO_DRIVER = NotImplementedError("Operation not supported or unimplemented on this platform")


@pytest.mark.parametrize(
    ("platform", "error", "seen", "mend"),
    [
        ("linux", NO_PERMISSION, "This user may not open the adapter.", "sudo udevadm control"),
        ("darwin", NO_PERMISSION, "FTDI's own driver is installed", "Remove FTDI's serial (VCP)"),
        ("win32", NO_PERMISSION, "does not let this program open", "Close every other program"),
        ("win32", NO_DRIVER, "no driver bound to the adapter", "WinUSB"),
        ("linux", NO_DRIVER, "cannot open this device", "straight into the machine"),
    ],
)
def test_an_adapter_that_does_not_open_is_listed_with_what_mends_it(
    platform: str, error: Exception, seen: str, mend: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    usb = ObstinateUsb(an_adapter())
    usb.open_error = error
    plug_in(monkeypatch, usb, platform=platform)

    told_text = screen()

    assert "opens no" in told_text
    assert seen in told_text
    assert mend in told_text
    assert "Next: do what stands behind 'do', then: flashbench adapters" in told_text
    (facts,) = told(run("adapters", "--json"))["adapters"]
    assert facts["opens"] is False
    assert [hindrance["blocks"] for hindrance in facts["hindrances"]] == [True]


@pytest.mark.parametrize(
    ("platform", "opens", "mend"),
    [
        ("linux", "yes", "Nothing to do: it is taken over while flashbench works"),
        ("darwin", "no", "Remove FTDI's own serial driver"),
    ],
)
def test_the_kernels_serial_driver_is_told_of(
    platform: str, opens: str, mend: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    usb = ObstinateUsb(an_adapter("FT2232H"))
    usb.kernel_has = {0, 1}
    plug_in(monkeypatch, usb, platform=platform)

    told_text = screen()

    assert f"opens {opens}" in told_text
    assert "port A and B" in told_text
    assert mend in told_text


@pytest.mark.parametrize(
    ("platform", "mend"),
    [
        ("linux", "lsof /dev/bus/usb/"),
        ("darwin", "a serial terminal, perhaps"),
        ("win32", "Close the program that uses it"),
    ],
)
def test_an_adapter_in_use_is_told_of(
    platform: str, mend: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    plug_in(monkeypatch, VirtualUsb([an_adapter(in_use_elsewhere=True)]), platform=platform)

    told_text = screen()

    assert "opens no" in told_text
    assert "Another program is using port A of the adapter." in told_text
    assert mend in told_text


@pytest.mark.parametrize("platform", ["linux", "darwin", "win32"])
def test_without_libusb_the_command_says_what_brings_it(
    platform: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    plug_in(monkeypatch, None, platform=platform)

    result = run("adapters")

    assert result.exit_code == 5
    assert "could not be loaded on this machine" in result.stderr
    assert "libusb-package" in result.stderr


def test_an_adapter_that_opens_is_followed_by_how_to_prove_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plug_in(monkeypatch, VirtualUsb([an_adapter(serial="FB01")]))

    assert "Next: with the socket empty, flashbench adapters --loopback" in screen()


def test_two_adapters_are_followed_by_how_to_name_one(monkeypatch: pytest.MonkeyPatch) -> None:
    both = [an_adapter(serial="FB01"), an_adapter(serial="FB02", address=2)]
    plug_in(monkeypatch, VirtualUsb(both))

    assert "Next: name one in every command, as --adapter ftdi://ftdi:232h:FB01/1" in screen()


@pytest.mark.parametrize("words", [("identify",), ("dump", "JOB"), ("check-contact",)])
@pytest.mark.parametrize("second_is_in_use", [False, True])
def test_of_two_adapters_a_command_takes_none_unnamed_and_lists_both(
    words: tuple[str, ...],
    second_is_in_use: bool,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    first = an_adapter(serial="FB01")
    second = an_adapter("FT2232H", serial="FB02", address=2, in_use_elsewhere=second_is_in_use)
    plug_in(monkeypatch, VirtualUsb([first, second]))
    call = [word.replace("JOB", str(tmp_path / "job")) for word in words]

    shown = run(*call, "--supply", "3.3")
    error = told(run(*call, "--supply", "3.3", "--json"))["error"]

    assert shown.exit_code == 5
    state, seen, next_step = three_lines(shown)
    assert seen.startswith("2 adapters are there: ")
    for url, chip in (("232h:FB01", "FT232H"), ("2232h:FB02", "FT2232H")):
        assert f"ftdi://ftdi:{url}/1  {chip} Rehearsal adapter" in seen
    assert next_step.endswith("as --adapter ftdi://ftdi:232h:FB01/1")
    assert (error["exit_status"], error["seen"], error["next_step"]) == (5, seen, next_step)
    assert error["state"] == state
    for adapter in (first, second):
        assert not adapter.pins.ever_driven
        assert adapter.bulk_transfers == 0
    assert not (tmp_path / "job").exists()


def test_no_adapter_is_followed_by_what_to_look_at(monkeypatch: pytest.MonkeyPatch) -> None:
    plug_in(monkeypatch, VirtualUsb([]))

    assert "Next: plug one in, by a cable that carries data" in screen()


def test_the_rule_is_printed_as_the_rules_file_has_it() -> None:
    rules = Path(__file__).parents[2] / "udev" / "60-flashbench.rules"

    printed = run("adapters", "--udev-rule").stdout

    assert printed.endswith("\n") and printed.count("\n") == 1, "it goes into a file by a pipe"
    assert printed.strip() in rules.read_text().splitlines()


BENCH = """
[[adapter]]
serial = "FB0018"
name = "1.8 V socket"
supply_volts = 1.8
level_shifter = "8 channels on the socket board"

[[adapter]]
serial = "FB0033"
interface = 2
name = "clip"
supply_volts = 3.3
"""


def plug_in_two(monkeypatch: pytest.MonkeyPatch) -> None:
    both = [an_adapter(serial="FB0018"), an_adapter("FT2232H", serial="FB0033", address=2)]
    plug_in(monkeypatch, VirtualUsb(both))


def test_each_adapter_bears_its_name_in_the_bench_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH)
    plug_in_two(monkeypatch)

    shown = " ".join(run("adapters", "--bench", str(path)).stdout.split())

    assert "opens yes bench 1.8 V socket, supplies 1.8 V FT2232H" in shown
    assert "bench port 2: clip, supplies 3.3 V Next:" in shown
    facts = told(run("adapters", "--bench", str(path), "--json"))
    assert facts["bench_problem"] is None
    assert [adapter["bench"] for adapter in facts["adapters"]] == [
        [{"name": "1.8 V socket", "interface": 1, "supply_volts": 1.8}],
        [{"name": "clip", "interface": 2, "supply_volts": 3.3}],
    ]


def test_the_bench_file_of_ones_own_is_looked_at_unasked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH)
    monkeypatch.setattr("flashbench.bench.on_disk.default_path", lambda: path)
    plug_in_two(monkeypatch)

    assert "bench 1.8 V socket, supplies 1.8 V" in screen()


def test_without_a_bench_file_no_name_and_no_complaint(monkeypatch: pytest.MonkeyPatch) -> None:
    plug_in_two(monkeypatch)

    assert "bench" not in screen()
    facts = told(run("adapters", "--json"))
    assert facts["bench_problem"] is None
    assert [adapter["bench"] for adapter in facts["adapters"]] == [[], []]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[adapter]]", "'an adapter' does not say its supply_volts"),
        (BENCH.replace('serial = "FB0018"', 'serial = "FB0018'), "it is not TOML"),
        (None, "There is no bench file"),
    ],
)
def test_a_bench_file_that_cannot_be_used_is_said_and_hides_no_adapter(
    text: str | None, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bench.toml"
    if text is not None:
        path.write_text(text)
    plug_in_two(monkeypatch)

    result = run("adapters", "--bench", str(path))

    assert result.exit_code == 0, result.stderr
    shown = " ".join(result.stdout.split())
    assert "serial FB0018" in shown and "serial FB0033" in shown
    assert says in shown
    facts = told(run("adapters", "--bench", str(path), "--json"))
    assert says in facts["bench_problem"]
    assert [adapter["serial"] for adapter in facts["adapters"]] == ["FB0018", "FB0033"]
