"""How many examples a fuzz test tries: few in the normal run, many where somebody waits for it.

FLASHBENCH_FUZZ_EXAMPLES=20000 pytest tests/hostile tests/job/test_hostile.py
"""

import os

from hypothesis import HealthCheck, settings

_WANTED = int(os.environ.get("FLASHBENCH_FUZZ_EXAMPLES", "0"))
THOROUGH = _WANTED > 0
"""Whether somebody waits for it: then tests that sample try everything."""


def fuzzed(usual: int) -> settings:
    """Settings with `usual` examples, or as many as the environment asks for, if more."""
    return settings(
        max_examples=max(usual, _WANTED),
        deadline=None,
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    )


def controls(text: str) -> set[str]:
    """What a terminal would obey, or would show other than it is."""
    return {char for char in text if not char.isprintable() and char != "\n"}
