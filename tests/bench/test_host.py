"""The host stays awake while a chip is written, by whatever its platform offers; or says so."""

import stat
import subprocess
from collections import namedtuple
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from flashbench.bench import host

Battery = namedtuple("Battery", ["percent", "secsleft", "power_plugged"])


@contextmanager
def refusing() -> Iterator[bool]:
    yield False


@contextmanager
def failing() -> Iterator[bool]:
    raise OSError("no bus")
    yield True


def test_the_first_way_that_agrees_is_held_until_the_end() -> None:
    told: list[str] = []

    @contextmanager
    def agreeing() -> Iterator[bool]:
        told.append("held")
        yield True
        told.append("let go")

    with host.staying_awake([refusing, failing, agreeing, agreeing]) as awake:
        assert awake
        assert told == ["held"]
    assert told == ["held", "let go"]


def test_where_nothing_is_offered_the_work_goes_on() -> None:
    with host.staying_awake([refusing, failing]) as awake:
        assert not awake
    with host.staying_awake([]) as awake:
        assert not awake


def test_an_error_of_the_work_passes_and_the_host_is_let_go() -> None:
    told: list[str] = []

    @contextmanager
    def agreeing() -> Iterator[bool]:
        try:
            yield True
        finally:
            told.append("let go")

    with pytest.raises(KeyError), host.staying_awake([agreeing]):
        raise KeyError
    assert told == ["let go"]


def a_program(folder: Path, text: str) -> str:
    path = folder / "inhibit"
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return str(path)


def test_the_lock_of_systemd_is_held_by_a_process_that_ends_with_us(tmp_path: Path) -> None:
    # As systemd-inhibit does: takes its options, then runs the command behind them.
    program = a_program(
        tmp_path, f'echo "$1 $2" > {tmp_path}/asked; shift 3; "$@"; echo ended > {tmp_path}/ended'
    )

    with host.logind(program) as agreed:
        assert agreed
        assert not (tmp_path / "ended").exists()

    assert (tmp_path / "ended").read_text() == "ended\n"
    asked = (tmp_path / "asked").read_text()
    assert asked == "--what=sleep:handle-lid-switch --who=flashbench\n"


def test_a_refused_or_silent_lock_hangs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(host, "_READY_S_MAX", 0.2)
    with host.logind(a_program(tmp_path, "exit 1")) as agreed:
        assert not agreed
    with host.logind(a_program(tmp_path, "exec sleep 60")) as agreed:
        assert not agreed
    with host.logind(str(tmp_path / "not there")) as agreed:
        assert not agreed


def test_no_process_is_left_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[subprocess.Popen[bytes]] = []
    really = subprocess.Popen

    def popen(*words: object, **how: object) -> "subprocess.Popen[bytes]":
        started.append(really(*words, **how))  # type: ignore[call-overload]
        return started[-1]

    monkeypatch.setattr(host, "_READY_S_MAX", 0.2)
    monkeypatch.setattr(subprocess, "Popen", popen)
    with host.logind(a_program(tmp_path, "exec sleep 60")):
        pass

    assert [process.poll() for process in started] == [-9]


def test_a_desktop_without_a_bus_offers_nothing_and_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("DBUS_SESSION_BUS_ADDRESS", "unix:path=/nowhere")
    with host.desktop() as agreed:
        assert not agreed


@pytest.mark.parametrize(
    ("battery", "sentence"),
    [
        (None, None),
        (Battery(80, 3600, True), None),
        (Battery(80, 3600, None), None),
        (
            Battery(41.6, 3600, False),
            "this computer runs on its battery, which is 42 % full: plug it in",
        ),
    ],
)
def test_a_computer_on_its_battery_is_mentioned(
    battery: Battery | None, sentence: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("psutil.sensors_battery", lambda: battery)

    assert host.battery_sentence() == sentence


def test_an_adapter_behind_a_hub_is_mentioned() -> None:
    assert host.hub_sentence(()) is None
    assert host.hub_sentence((3,)) is None
    assert "behind a USB hub" in str(host.hub_sentence((3, 1)))
    assert "behind 2 USB hubs" in str(host.hub_sentence((3, 1, 4)))
