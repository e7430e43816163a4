"""Listing adapters, what stands in the way of each, and naming one."""

import errno
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from pyftdi.ftdi import Ftdi
from pyftdi.usbtools import UsbDeviceDescriptor, UsbTools
from usb.core import USBError

from flashbench.adapter import FoundAdapter, find_adapters, open_only_adapter, open_url
from flashbench.adapter.find import parse_url
from flashbench.adapter.hindrance import UDEV_RULE, hindrance_of
from flashbench.errors import AdapterUnavailable, WrongCall
from tests.adapter.scripted_usb import ScriptedTime, ScriptedUsb


class Bus(ScriptedUsb):
    """Several scripted adapters behind one backend."""

    def __init__(self, *adapters: ScriptedUsb) -> None:
        super().__init__()
        self.adapters = adapters

    def enumerate_devices(self) -> Iterator[ScriptedUsb]:
        yield from self.adapters

    def __getattribute__(self, name: str) -> Any:
        handled = ("open_device", "close_device", "claim_interface", "release_interface",
                   "ctrl_transfer", "bulk_read", "bulk_write", "is_kernel_driver_active",
                   "attach_kernel_driver", "detach_kernel_driver", "get_configuration")  # fmt: skip
        if name in handled:
            return lambda adapter, *rest: getattr(adapter, name)(adapter, *rest)
        return super().__getattribute__(name)


def one(usb: ScriptedUsb, platform: str = "linux") -> FoundAdapter:
    (found,) = find_adapters(backend=usb, platform=platform)
    return found


def test_an_adapter_is_listed_with_its_names_and_place() -> None:
    found = one(ScriptedUsb("FT2232H", serial="FB01", bus=3, address=17))

    assert (found.chip, found.serial, found.product) == ("FT2232H", "FB01", "Bench adapter")
    assert (found.bus, found.address, found.port_numbers) == (3, 17, (1, 2))
    assert found.interfaces == (1, 2)
    assert found.url == "ftdi://ftdi:2232h:FB01/1"
    assert found.hindrances == ()
    assert found.opens


def test_listing_sends_nothing_to_an_adapter_and_lets_it_go() -> None:
    usb = ScriptedUsb()
    one(usb)

    assert usb.calls == ["claim 0", "release 0"]
    assert usb.handles == 0


def test_an_adapter_that_may_not_be_opened_does_not_hide_the_others() -> None:
    shut, good = ScriptedUsb(address=1), ScriptedUsb(address=2, serial="B2")
    shut.open_error = USBError("Access denied", -3, errno.EACCES)

    found = find_adapters(backend=Bus(shut, good), platform="linux")

    assert [each.opens for each in found] == [False, True]
    assert found[1].serial == "B2"


@pytest.mark.parametrize(
    ("platform", "mend"),
    [
        ("linux", "udevadm control --reload"),
        ("darwin", "VCP"),
        ("win32", "Close every other program"),
    ],
)
def test_no_permission_is_mended_by_what_the_system_needs(platform: str, mend: str) -> None:
    usb = ScriptedUsb()
    usb.open_error = USBError("Access denied", -3, errno.EACCES)

    (hindrance,) = one(usb, platform).hindrances

    assert hindrance.blocks
    assert mend in hindrance.mend


def test_on_windows_a_missing_driver_is_named() -> None:
    """libusb says "not supported", which pyusb raises as NotImplementedError."""
    usb = ScriptedUsb()
    usb.open_error = NotImplementedError(
        "Operation not supported or unimplemented on this platform"
    )

    (hindrance,) = one(usb, "win32").hindrances

    assert "no driver bound" in hindrance.seen
    assert "Unplug every other FTDI device." in hindrance.mend


@pytest.mark.parametrize(
    ("serials", "seen", "mend"),
    [
        (
            ("FB01",),
            "bound to the adapter FB01",
            "the one device whose instance path ends in \\FB01",
        ),
        (("FB01", "FB02"), "an adapter (FB01, FB02)", "ends in \\FB01 or \\FB02"),
    ],
)
def test_on_windows_the_one_device_is_named_by_serial_and_how_to_undo_it(
    serials: tuple[str, ...], seen: str, mend: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []

    def plugged_in(product_id: int) -> tuple[str, ...]:
        asked.append(product_id)
        return serials

    monkeypatch.setattr("flashbench.adapter.find.serials_plugged_in", plugged_in)
    usb = ScriptedUsb("FT232H")
    usb.open_error = NotImplementedError("Operation not supported")

    (hindrance,) = one(usb, "win32").hindrances

    assert asked == [0x6014]
    assert seen in hindrance.seen
    assert mend in hindrance.mend
    assert "to undo it, take the former driver" in hindrance.mend


def test_the_rule_told_is_the_one_of_the_rules_file() -> None:
    rules = Path(__file__).parents[2] / "udev" / "60-flashbench.rules"

    assert UDEV_RULE in rules.read_text().splitlines()


def test_a_port_in_use_blocks_only_when_no_other_is_left() -> None:
    single, double = ScriptedUsb("FT232H"), ScriptedUsb("FT2232H")
    for usb in (single, double):
        usb.claim_errors[0] = USBError("Resource busy", -6, errno.EBUSY)

    assert not one(single).opens
    assert one(double).opens
    assert "using port A of" in one(double).hindrances[0].seen


def test_the_systems_serial_driver_is_mentioned_and_left_in_place() -> None:
    usb = ScriptedUsb("FT2232H")
    usb.kernel_driver = {0, 1}

    found = one(usb)

    assert found.opens
    assert "port A and B of the adapter as a serial port" in found.hindrances[0].seen
    assert usb.kernel_driver == {0, 1}


@pytest.mark.parametrize("serial", ["", "\uffff\uffff"])
def test_a_blank_eeprom_is_mentioned_and_the_adapter_named_by_its_place(serial: str) -> None:
    found = one(ScriptedUsb(serial=serial, bus=1, address=31))

    assert found.serial == ""
    assert found.url == "ftdi://ftdi:232h:1:1f/1"
    assert "no serial number" in found.hindrances[0].seen
    assert found.url in found.hindrances[0].mend
    assert found.opens


def test_without_libusb_the_package_that_brings_it_is_named(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("libusb_package.get_libusb1_backend", lambda: None)

    with pytest.raises(
        AdapterUnavailable, match=r"libusb could not be loaded(.|\n)*libusb-package"
    ):
        find_adapters(platform="win32")


def test_a_chip_of_the_same_number_without_this_engine_is_listed_as_unusable() -> None:
    usb = ScriptedUsb("FT2232H")
    usb.release = 0x0500

    found = one(usb)

    assert not found.opens
    assert "none of FT232H, FT2232H and FT4232H" in found.hindrances[0].seen


@pytest.mark.parametrize("platform", ["linux", "darwin", "win32"])
@pytest.mark.parametrize(
    "error",
    [
        USBError("x", -6, errno.EBUSY),
        USBError("x", -4, errno.ENODEV),
        USBError("x", -5, errno.ENOENT),
        ValueError("The device has no langid (permission issue, ...)"),
        NotImplementedError("x"),
        OSError("No such device"),
        RuntimeError(),
    ],
)
def test_every_hindrance_is_two_sentences(error: Exception, platform: str) -> None:
    hindrance = hindrance_of(error, platform=platform)

    for sentence in (hindrance.seen, hindrance.mend):
        assert sentence[0].isupper()
        assert sentence.endswith(".")


def test_the_only_adapter_opens_without_a_name() -> None:
    usb = ScriptedUsb()
    with open_only_adapter(backend=usb, time=usb.time) as adapter:
        assert adapter.facts.url == "ftdi://ftdi:232h:A1/1"


def test_of_several_adapters_none_is_taken_unnamed() -> None:
    bus = Bus(ScriptedUsb(address=1), ScriptedUsb(address=2, serial=""))

    with pytest.raises(AdapterUnavailable) as caught:
        open_only_adapter(backend=bus)

    assert "2 adapters are there" in str(caught.value)
    assert "ftdi://ftdi:232h:A1/1" in str(caught.value)
    assert "ftdi://ftdi:232h:1:2/1" in str(caught.value)
    assert "Name one of them" in str(caught.value)


@pytest.mark.parametrize(
    ("url", "address"),
    [
        ("ftdi://ftdi:232h:A2/1", 2),
        ("ftdi://ftdi:232h:1:3/1", 3),
        ("ftdi://ftdi:2232h/2", 4),
        ("ftdi://ftdi:ft4232h/1", 5),
        ("ftdi://0x403:0x6011/1", 5),
        ("ftdi://:2232h/1", 4),
    ],
)
def test_a_name_finds_its_adapter(url: str, address: int) -> None:
    adapters = [
        ScriptedUsb(address=1),
        ScriptedUsb(address=2, serial="A2"),
        ScriptedUsb(address=3, serial=""),
        ScriptedUsb("FT2232H", address=4),
        ScriptedUsb("FT4232H", address=5),
    ]
    with open_url(url, backend=Bus(*adapters), time=adapters[0].time):
        used = [usb.address for usb in adapters if usb.engines[0].mpsse or usb.engines[-1].mpsse]

    assert used == [address]


@pytest.mark.parametrize("url", ["ftdi://ftdi:232h:A2/1", "ftdi://ftdi:232h:1:2/1"])
def test_opening_one_adapter_touches_no_other(url: str) -> None:
    named, other = ScriptedUsb(address=2, serial="A2"), ScriptedUsb(address=3, serial="A3")

    open_url(url, backend=Bus(other, named), time=named.time).close()

    assert named.calls.count("claim 0") == 1
    assert other.calls == []
    assert other.handles == 0


@pytest.mark.parametrize("url", ["ftdi://ftdi:232h:1:2/1", "ftdi://ftdi:232h/1"])
def test_an_adapter_that_cannot_be_meant_is_not_even_opened(url: str) -> None:
    named, other = ScriptedUsb(address=2), ScriptedUsb("FT2232H", address=3)
    other.open_error = AssertionError("it was opened")

    with open_url(url, backend=Bus(named, other), time=named.time) as adapter:
        assert adapter.facts.chip == "FT232H"


def test_an_adapter_that_another_process_has_is_listed_as_in_use_and_hinders_no_other() -> None:
    free, taken = ScriptedUsb(address=2, serial="A2"), ScriptedUsb(address=3, serial="A3")
    taken.claim_errors[0] = USBError("Resource busy", -6, errno.EBUSY)
    bus = Bus(free, taken)

    with open_url("ftdi://ftdi:232h:A2/1", backend=bus, time=free.time) as adapter:
        assert adapter.facts.serial == "A2"
        assert taken.calls == []
    with pytest.raises(AdapterUnavailable, match="Another program is using this port"):
        open_url("ftdi://ftdi:232h:A3/1", backend=bus, time=free.time)
    listed = find_adapters(backend=bus, platform="linux")

    assert [each.opens for each in listed] == [True, False]
    assert "Another program is using port A of" in listed[1].hindrances[0].seen


def test_a_port_that_a_listing_elsewhere_holds_for_an_instant_opens_all_the_same() -> None:
    usb = ScriptedUsb(serial="A2")
    usb.claim_errors[0] = USBError("Resource busy", -6, errno.EBUSY)

    class ListingEnds(ScriptedTime):
        def wait_s(self, seconds: float) -> None:
            super().wait_s(seconds)
            usb.claim_errors.clear()

    time = ListingEnds()
    with open_url("ftdi://ftdi:232h:A2/1", backend=usb, time=time) as adapter:
        assert adapter.facts.serial == "A2"
    assert time.waited[0] <= 0.1


class Process(Bus):
    """What one process sees of adapters that it shares with others: a claim is one process's.

    `at_call` is what happens elsewhere after so many of its calls.
    """

    def __init__(self, claims: dict[int, "Process"], *adapters: ScriptedUsb) -> None:
        super().__init__(*adapters)
        self._claims = claims
        self.call_count = 0
        self.at_call: dict[int, Callable[[], object]] = {}

    def __getattribute__(self, name: str) -> Any:
        found = super().__getattribute__(name)
        if name not in ("open_device", "claim_interface", "release_interface", "ctrl_transfer"):
            return found

        def shared(adapter: ScriptedUsb, *rest: Any) -> Any:
            self._keep_claims(name, adapter.address)
            result = found(adapter, *rest)
            self.call_count += 1
            self.at_call.get(self.call_count, int)()
            return result

        return shared

    def _keep_claims(self, name: str, address: int) -> None:
        if name == "claim_interface" and self._claims.setdefault(address, self) is not self:
            raise USBError("Resource busy", -6, errno.EBUSY)
        if name == "release_interface" and self._claims.get(address) is self:
            del self._claims[address]


def test_two_processes_that_start_at_one_moment_do_not_hinder_each_other() -> None:
    """The second one opens its adapter within each call of the first one's opening."""

    def both(at_call: int) -> int:
        adapters = [ScriptedUsb(address=2, serial="A2"), ScriptedUsb(address=3, serial="A3")]
        claims: dict[int, Process] = {}
        first, second = Process(claims, *adapters), Process(claims, *adapters)
        opened = []

        def open_as(process: Process, url: str) -> None:
            opened.append(open_url(url, backend=process, time=adapters[0].time))

        first.at_call[at_call] = lambda: open_as(second, "ftdi://ftdi:232h:A3/1")
        open_as(first, "ftdi://ftdi:232h:A2/1")
        assert {adapter.facts.serial for adapter in opened} >= {"A2"}
        assert claims.get(2) is first
        assert len(opened) == 1 or claims.get(3) is second
        return first.call_count if len(opened) == 2 else 0

    at_call = 1
    while both(at_call):
        at_call += 1

    assert at_call > 10, "there were calls to start at"


def test_without_any_adapter_nothing_opens() -> None:
    with pytest.raises(AdapterUnavailable, match=r"There is no FT232H(.|\n)*Plug the adapter in"):
        open_only_adapter(backend=Bus())


def test_a_name_nobody_answers_to_is_refused() -> None:
    with pytest.raises(AdapterUnavailable, match=r"No adapter on the USB answers to ftdi://.*ZZ"):
        open_url("ftdi://ftdi:232h:ZZ/1", backend=ScriptedUsb())


@pytest.mark.parametrize(
    "url",
    ["", "ftdi", "ftdi://ftdi:232h", "ftdi://ftdi:232h/0", "ftdi://acme:232h/1", "usb:1",
     "ftdi://ftdi:6001/1", "ftdi://ftdi:232h:1:zz/1", "ftdi://ftdi:232h/?"],
)  # fmt: skip
def test_a_name_that_is_none_is_refused_with_the_ways_to_write_one(url: str) -> None:
    with pytest.raises(WrongCall, match=r"not the name of an adapter(.|\n)*rehearsal:FOLDER"):
        open_url(url, backend=ScriptedUsb())


@pytest.mark.parametrize("product", [0x6014, 0x6010, 0x6011])
@pytest.mark.parametrize("serial", ["FB01", ""])
def test_the_urls_that_pyftdi_prints_are_understood(product: int, serial: str) -> None:
    """pyftdi's own listing is the outside source of the URL syntax."""
    descriptor = UsbDeviceDescriptor(0x403, product, 2, 0x1F, serial or None, None, "x")
    printed = UsbTools.build_dev_strings(
        "ftdi", Ftdi.VENDOR_IDS, Ftdi.PRODUCT_IDS, [(descriptor, 1)]
    )

    wanted = parse_url(printed[0][0])

    assert {"232h": 0x6014, "2232h": 0x6010, "4232h": 0x6011}[wanted.url_name] == product
    assert wanted.serial == serial
    assert wanted.place == (None if serial else (2, 0x1F))
    assert wanted.interface == 1
