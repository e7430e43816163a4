"""Runs of set flags, against a walk through them one by one."""

from itertools import product

import numpy as np

from flashbench.image.copies import runs


def walked(flags: tuple[bool, ...]) -> list[tuple[int, int]]:
    found: list[tuple[int, int]] = []
    for at, flag in enumerate(flags):
        if flag and found and found[-1][1] == at:
            found[-1] = (found[-1][0], at + 1)
        elif flag:
            found.append((at, at + 1))
    return found


def test_every_short_row_of_flags_falls_into_its_runs() -> None:
    for size in range(9):
        for flags in product((False, True), repeat=size):
            assert list(runs(np.array(flags, dtype=bool))) == walked(flags), flags
