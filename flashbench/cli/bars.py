"""How far the work is: one bar a step, on stderr, and only where a person can see it."""

import os
import shutil
import sys
from types import TracebackType
from typing import TYPE_CHECKING, Never, Self

from flashbench.cli.output import COLUMNS
from flashbench.cli.streams import STANDING_LINE, drawing_on_stderr
from flashbench.progress import StopRequest
from flashbench.wording import shown

if TYPE_CHECKING:
    from tqdm import tqdm


class Bars:
    """A `Progress`: draws, and stops the work when somebody asked for it."""

    def __init__(self, *, label: str, stop: StopRequest, model_time: bool) -> None:
        """`model_time` says that the seconds left are a rehearsal's, not the user's."""
        self.label = label
        self._stop = stop
        self._time_name = "of model time left" if model_time else "left"
        self._shown = sys.stderr.isatty()
        self._step = ""
        self._bar: tqdm[Never] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __call__(
        self, step: str, done_bytes: int, total_bytes: int, seconds_left: float | None, /
    ) -> None:
        if self._shown:
            with drawing_on_stderr():
                self._draw(step, done_bytes, total_bytes, seconds_left)
        self._stop.check()

    def close(self) -> None:
        """End the bar. One that came to its end stays; of one that did not, nothing does."""
        if self._bar is not None:
            self._bar.leave = self._bar.n >= (self._bar.total or 0)
            with drawing_on_stderr():
                self._bar.close()
            STANDING_LINE.ended()
        self._bar = None
        self._step = ""

    def _draw(self, step: str, done: int, total: int, seconds_left: float | None) -> None:
        if self._bar is None or step != self._step:
            self.close()
            self._step = step
            self._bar = self._new_bar(step, total)
            STANDING_LINE.stands(self._bar.clear)
        if seconds_left is not None:
            self._bar.set_postfix_str(f"{seconds_left:.0f} s {self._time_name}", refresh=False)
        self._bar.update(done - self._bar.n)

    def _new_bar(self, step: str, total: int) -> "tqdm[Never]":
        from tqdm import tqdm

        return tqdm(
            desc=shown(f"{self.label}: {step}" if self.label else step),
            total=total,
            file=sys.stderr,
            ascii=bool(os.environ.get("NO_COLOR")),
            ncols=min(COLUMNS, shutil.get_terminal_size().columns) - 1,
            nrows=2,  # some consoles do not say how many they have, and one bar needs no more
            bar_format="{desc} {percentage:3.0f} % {bar}{postfix}",
        )
