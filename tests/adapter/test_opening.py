"""Opening and closing an adapter: whose it is, what its pins do, what stands in the way.

pyftdi and pyusb run for real on a scripted backend; the request codes in the call lists are those
of FTDI's vendor requests as pyftdi sends them (00h reset and purge, 0Bh mode).
"""

import errno

import pytest
from usb.core import USBError

from flashbench.adapter import SampleEdge, open_adapter
from flashbench.errors import AdapterUnavailable, WrongCall
from tests.adapter.scripted_usb import ScriptedUsb
from tests.adapter.test_wire import run
from tests.builders.frames import frame


@pytest.mark.parametrize("chip", ["FT232H", "FT2232H", "FT4232H"])
def test_opening_leaves_every_pin_an_input(chip: str) -> None:
    usb = ScriptedUsb(chip)
    with open_adapter(usb.device(), time=usb.time):
        pass

    assert usb.engine.directions, "the device did see pin commands"
    assert set(usb.engine.directions) == {0x00}
    modes = [call for call in usb.calls if call.startswith("control 0Bh")]
    assert all(mode.endswith("00h") for mode in modes), "also the mode request turns no pin on"


def test_the_interface_is_claimed_before_anything_is_sent_to_it() -> None:
    """FTDI's control requests need no claim: they would reset another process's adapter."""
    usb = ScriptedUsb()
    with open_adapter(usb.device(), time=usb.time):
        first_control = next(n for n, call in enumerate(usb.calls) if call.startswith("control"))

    assert usb.calls.index("claim 0") < first_control


def test_an_adapter_in_use_is_refused_and_not_disturbed() -> None:
    usb = ScriptedUsb()
    usb.claim_errors[0] = USBError("Resource busy", -6, errno.EBUSY)

    with pytest.raises(AdapterUnavailable, match=r"Another program is using this port"):
        open_adapter(usb.device(), time=usb.time)
    assert usb.calls == ["claim 0"] * 3
    assert sum(usb.time.waited) <= 0.1
    assert usb.handles == 0


def test_an_adapter_this_user_may_not_open_is_refused_with_the_remedy(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sys.platform", "linux")
    usb = ScriptedUsb()
    usb.open_error = USBError("Access denied (insufficient permissions)", -3, errno.EACCES)

    with pytest.raises(AdapterUnavailable, match=r"may not open(.|\n)*--udev-rule") as caught:
        open_adapter(usb.device(), time=usb.time)
    assert isinstance(caught.value.__cause__, USBError)


def test_the_systems_serial_driver_steps_aside_and_comes_back() -> None:
    usb = ScriptedUsb()
    usb.kernel_driver.add(0)

    with open_adapter(usb.device(), time=usb.time):
        assert "detach 0" in usb.calls
    assert usb.calls[-1] == "attach 0"


def test_closing_keeps_mpsse_so_that_no_uart_drives_the_pins() -> None:
    usb = ScriptedUsb()
    adapter = open_adapter(usb.device(), time=usb.time)
    adapter._wire.drive_pins()
    leaving = usb.calls.count("control 0Bh 0000h")

    adapter.close()
    adapter.close()

    assert usb.engine.directions[-1] == 0x00
    assert usb.calls.count("control 0Bh 0000h") == leaving
    assert usb.engine.mpsse
    assert usb.handles == 0


@pytest.mark.parametrize(
    ("chip", "interface", "says"),
    [
        ("FT4232H", 3, r"Port C \(interface 3\) of an FT4232H has no MPSSE.*\n.*interface 1 and 2"),
        ("FT4232H", 4, r"Port D \(interface 4\) of an FT4232H has no MPSSE"),
        ("FT4232H", 5, r"An FT4232H has no interface 5"),
        ("FT232H", 2, r"An FT232H has no interface 2(.|\n)*name, interface 1\."),
        ("FT2232H", 0, r"An FT2232H has no interface 0"),
        ("FT2232H", -1, r"no interface -1"),
    ],
)
def test_an_interface_that_cannot_speak_spi_is_refused_untouched(
    chip: str, interface: int, says: str
) -> None:
    usb = ScriptedUsb(chip)

    with pytest.raises(AdapterUnavailable, match=says):
        open_adapter(usb.device(), interface=interface, time=usb.time)
    assert usb.calls == []


def test_the_second_port_works_as_well_as_the_first() -> None:
    usb = ScriptedUsb("FT2232H")
    adapter = open_adapter(usb.device(), interface=2, time=usb.time)
    adapter._wire.drive_pins()
    run(adapter, [frame(b"\x9f", reply_size=3)])

    assert usb.engines[1].frames == [b"\x9f"]
    assert not usb.engines[0].directions
    assert adapter.facts.url == "ftdi://ftdi:2232h:A1/2"


def test_another_device_is_refused() -> None:
    usb = ScriptedUsb()
    usb.product_id, usb.release = 0x6001, 0x0600

    with pytest.raises(AdapterUnavailable, match=r"0403:6001 \(release 0600\) is none of FT232H"):
        open_adapter(usb.device(), time=usb.time)


def test_what_is_no_usb_device_is_refused() -> None:
    with pytest.raises(WrongCall, match=r"from a usb.core.Device, not from str"):
        open_adapter("ftdi://ftdi:232h/1")


def test_a_clock_that_cannot_be_made_is_refused_and_the_device_given_back() -> None:
    usb = ScriptedUsb()

    with pytest.raises(WrongCall, match="slowest is 457 Hz"):
        open_adapter(usb.device(), clock_hz=100, time=usb.time)
    assert usb.handles == 0


def test_an_engine_that_does_not_answer_is_refused_and_given_back() -> None:
    usb = ScriptedUsb()
    usb.engine.feed = lambda data: None  # type: ignore[method-assign]

    with pytest.raises(AdapterUnavailable, match=r"opened but its engine is out of step: nothing"):
        open_adapter(usb.device(), time=usb.time)
    assert usb.handles == 0


def test_whichever_transfer_fails_while_opening_it_is_refused_and_given_back() -> None:
    at = 0
    opened = False
    while not opened:
        at += 1
        usb = ScriptedUsb()
        usb.arm("gone before", at)
        try:
            open_adapter(usb.device(), time=usb.time)
            opened = True
        except AdapterUnavailable as error:
            assert "left the USB" in str(error), (at, error)
            assert usb.handles == 0
    assert not usb.fired
    assert at == 12, "pyftdi's 3 OUT and 2 IN, our 3 OUT and 3 IN, then a clean run"


@pytest.mark.parametrize(
    ("edge", "command"), [(SampleEdge.FALLING, 0x24), (SampleEdge.RISING, 0x20)]
)
def test_the_sampling_edge_reaches_the_wire(edge: SampleEdge, command: int) -> None:
    usb = ScriptedUsb()
    sent: list[bytes] = []
    adapter = open_adapter(usb.device(), time=usb.time, sample_edge=edge)
    adapter._wire.drive_pins()
    feed = usb.engine.feed

    def tapped(data: bytes) -> None:
        sent.append(data)
        feed(data)

    usb.engine.feed = tapped  # type: ignore[method-assign]
    run(adapter, [frame(b"\x9f", reply_size=3)])

    assert bytes([command, 2, 0]) in b"".join(sent)
