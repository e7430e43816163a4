"""What every test is kept away from: the bench file and the computer of whoever runs them.

And what some are held to: that no refusal says what is not on record.
"""

import signal
from collections.abc import Iterator
from tempfile import TemporaryDirectory

import pytest

from tests import sentences


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


@pytest.fixture(autouse=True, scope="session")
def _heard() -> Iterator[set[str]]:
    yield from sentences.listening()


@pytest.fixture(autouse=True)
def _no_sentence_that_is_not_on_record(
    request: pytest.FixtureRequest, _heard: set[str]
) -> Iterator[None]:
    _heard.clear()
    yield
    drawn = getattr(getattr(request, "function", None), "is_hypothesis_test", False)
    if sentences.are_held_to(request.path) and not drawn:
        sentences.check(_heard)
