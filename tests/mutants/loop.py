"""Mutants, one forked process each, on tests that pytest has collected once."""

import contextlib
import gc
import json
import os
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from tests.mutants.changes import change

SLICE_S = 20.0  # after that a mutant waits until all others had their turn
TEST_SLACK_S = 8.0  # beyond five times what a test took when the lines were measured


@dataclass(frozen=True)
class Try:
    """A mutant, or "" for none, and the tests that it has yet to live through."""

    name: str
    tests: Sequence[str]
    verdict: str = "given up"
    killer: str | None = None
    is_begun: bool = False


class Loop:
    """For pytest: tries mutants on what was collected, instead of running it."""

    def __init__(
        self, names: Sequence[str], measured: Path, *, children: int, minutes: float
    ) -> None:
        facts = json.loads(measured.read_text())
        self._lines: Mapping[str, Mapping[str, Sequence[str]]] = facts["lines"]
        self._took_s: Mapping[str, float] = facts["took_s"]
        self._names, self._children, self._minutes = names, children, minutes
        self._kills: defaultdict[str, Counter[str | None]] = defaultdict(Counter)
        self._running: dict[int, tuple[Try, int, str]] = {}
        self.done: list[Try] = []
        self.checks: list[Try] = []
        self._failed = False

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._failed |= report.failed

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self._items = {item.nodeid: item for item in session.items}
        warm = next(
            item for item in session.items if "template" in getattr(item, "fixturenames", ())
        )
        self._last = next(item for item in session.items if item.path != warm.path)
        warm.ihook.pytest_runtest_protocol(item=warm, nextitem=self._last)  # what all share
        gc.freeze()
        end_s = time.time() + 60 * self._minutes
        waiting = [Try(name, self._tests_of(name)) for name in self._names]
        while waiting or self._running:
            while waiting and len(self._running) < self._children and time.time() < end_s:
                self._fork(waiting.pop(0), slice_s=SLICE_S)
            if not self._running:
                break
            over = self._wait()
            (waiting if over.verdict == "given up" else self.done).append(over)
        self.done += [one for one in waiting if one.is_begun]
        self._check_itself()
        return True

    def _check_itself(self) -> None:
        """A name that no mutant has must live, and the tests that killed pass without a mutant."""
        ghost = min((one.name for one in self.done if one.killer), key=self._work_s)
        killers = sorted({one.killer for one in self.done if one.killer})
        ghost_name = ghost.rpartition("__mutmut_")[0] + "__mutmut_0"
        for one in (Try(ghost_name, self._tests_of(ghost)), Try("", killers)):
            self._fork(one, slice_s=float("inf"))
            self.checks.append(self._wait())

    def _work_s(self, name: str) -> float:
        return sum(self._took_s[test] for test in self._tests_of(name))

    def _tests_of(self, name: str) -> Sequence[str]:
        path, lines, _ = change(name)
        known = self._lines[path]
        reached = {test for line in lines for test in known.get(str(line), ())}
        return sorted(reached & self._items.keys())

    def _fork(self, one: Try, *, slice_s: float) -> None:
        """Those first that are quick and killed others of the same function or module."""
        own, near = (self._kills[one.name.rpartition(by)[0]] for by in ("__mutmut_", "."))
        tests = sorted(
            one.tests,
            key=lambda test: (self._took_s[test] + 0.05) / (1 + 8 * own[test] + near[test]),
        )
        one = replace(one, tests=tests, is_begun=True)
        folder, (told, tell) = tempfile.mkdtemp(prefix="mutant-"), os.pipe()
        pid = os.fork()
        if pid == 0:
            try:
                os.setsid()
                tempfile.tempdir = os.environ["TMPDIR"] = folder
                os.write(tell, json.dumps(self._live(one, slice_s)).encode())
            finally:
                os._exit(0)
        os.close(tell)
        self._running[pid] = (one, told, folder)

    def _live(self, one: Try, slice_s: float) -> tuple[str, str | None, int]:
        """In a process of its own: the verdict, the test that killed, how many were run."""
        from mutmut.mutation.trampoline import set_mutant_under_test

        set_mutant_under_test(one.name)
        for descriptor in range(3):
            os.dup2(os.open(os.devnull, os.O_RDWR), descriptor)
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        begun_s = time.time()
        for ran, (test, after) in enumerate(
            zip(one.tests, [*one.tests[1:], None], strict=False), 1
        ):
            if ran > 1 and time.time() - begun_s > slice_s:
                return "given up", None, ran - 1
            self._failed = False
            item, following = self._items[test], self._items[after] if after else self._last
            signal.setitimer(signal.ITIMER_REAL, TEST_SLACK_S + 5 * self._took_s[test])
            item.ihook.pytest_runtest_protocol(item=item, nextitem=following)
            signal.setitimer(signal.ITIMER_REAL, 0)
            if self._failed:
                return "killed", test, ran
        return ("lived" if one.tests else "not reached"), None, len(one.tests)

    def _wait(self) -> Try:
        pid, status = os.wait()
        one, told, folder = self._running.pop(pid)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(pid, signal.SIGKILL)
        said, killed = os.read(told, 1 << 16), os.WIFSIGNALED(status)
        os.close(told)
        shutil.rmtree(folder, ignore_errors=True)
        silent = ("timed out" if killed else "crashed", None, 0)
        verdict, killer, ran = json.loads(said) if said else silent
        for by in ("__mutmut_", "."):
            self._kills[one.name.rpartition(by)[0]][killer] += 1
        sys.stdout.write(f"{verdict} {one.name} {killer or ''}\n")
        sys.stdout.flush()
        return replace(one, verdict=verdict, killer=killer, tests=one.tests[ran:])

    def report(self, seed: int) -> str:
        """The row of the table, and of each mutant that did not die what it changes."""
        count = Counter(one.verdict for one in self.done)
        died, sampled = count["killed"] + count["timed out"], len(self.done)
        cells = (
            seed,
            sampled,
            f"{died} ({died / max(1, sampled):.1%})",
            count["lived"] + count["crashed"],
        )
        row = " | ".join(map(str, (*cells, count["not reached"], count["given up"])))
        alive = (one for one in self.done if one.verdict not in ("killed", "timed out"))
        shown = "".join(f"\n{one.verdict} {one.name}\n{change(one.name)[2]}" for one in alive)
        ghost, without = (one.verdict == "lived" for one in self.checks)
        return (
            f"{shown}\n\n| seed | sampled | died | lived | not reached | given up |\n| {row} |\n"
            f"A name that no mutant has lives: {ghost}."
            f" The tests that killed pass without a mutant: {without}.\n"
        )
