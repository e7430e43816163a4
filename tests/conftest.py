"""What every test is kept away from: the bench file and the computer of whoever runs them."""

import signal
from collections.abc import Iterator
from tempfile import TemporaryDirectory

import pytest


@pytest.fixture(autouse=True, scope="session")
def _no_bench_file_of_ones_own() -> Iterator[None]:
    """Where user files are looked for on Linux, also by processes that tests start."""
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as hooked:
        hooked.setenv("XDG_CONFIG_HOME", folder)
        hooked.setattr("flashbench.bench.host._ways", lambda: ())
        hooked.setattr("psutil.sensors_battery", lambda: None)
        yield


@pytest.fixture(autouse=True, scope="session")
def _ctrl_c_is_heard() -> None:
    """Whoever starts the tests in the background may have interrupts ignored, also by children."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
