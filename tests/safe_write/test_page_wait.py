"""The wait behind a page: about the 99th percentile of the chip's page times, up and down again.

FTDI's engine has no branch, so a wait is fixed before the pages are sent; the model's rates are
what `python -m tests.benchmarks.uneven_pages` prints.
"""

from collections.abc import Iterable, Sequence
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashbench.safe_write._page_wait import PAGES_REMEMBERED, PageWait
from tests.benchmarks.uneven_pages import CASES, ours_kb_s

TPP_MAX_US = 3000


def sent(wait: PageWait, times_us: Iterable[float]) -> list[bool]:
    """Pages that take so long, in batches as large as is worth risking; which of them were late."""
    late, left = [], list(times_us)
    while left:
        batch, left = left[: wait.pages_worth_risking], left[wait.pages_worth_risking :]
        first_us = wait.first_look_us
        for us in batch:
            late.append(us > wait.us)
            first = us > first_us if first_us < wait.us else None
            wait.take(busy_at_first_look=first, busy_at_end=late[-1])
        wait.adapt()
    return late


def a_wait(us: float = 408) -> PageWait:
    return PageWait(us, longest_us=TPP_MAX_US)


def outliers(count: int, *, share: float, longer: float = 0.0) -> Sequence[float]:
    random = Random(7)
    return [
        400 * (1 + longer * random.random()) * (4 if random.random() < share else 1)
        for _ in range(count)
    ]


def test_a_lone_outlier_moves_nothing_wherever_it_comes() -> None:
    for place in (0, 5, 100, 700):
        wait = a_wait()
        sent(wait, [1600.0 if at == place else 400.0 for at in range(1000)])
        assert wait.us == 408, place


def test_outliers_of_one_in_five_hundred_are_not_waited_for() -> None:
    wait = a_wait()

    late = sent(wait, outliers(16384, share=0.002))

    assert wait.us <= 1.03 * 408
    assert sum(late) < 0.01 * len(late)


def test_pages_that_take_up_to_a_fifth_longer_are_waited_for_but_for_one_in_a_hundred() -> None:
    wait = a_wait(440)

    late = sent(wait, outliers(8192, share=0.002, longer=0.2))

    assert sum(late[1024:]) < 0.02 * len(late[1024:])
    assert 470 <= wait.us <= 495


def test_the_wait_does_not_fall_where_five_in_a_hundred_would_be_late() -> None:
    late = []
    for seed in range(20):
        random = Random(seed)
        late += sent(a_wait(), [405.0 if random.random() < 0.05 else 390.0 for _ in range(512)])

    assert sum(late) < 0.002 * len(late)


def test_the_wait_falls_again_when_the_chip_is_as_quick_as_it_was() -> None:
    wait = a_wait()
    sent(wait, [1200.0] * 2000)
    assert wait.us >= 1200

    sent(wait, [400.0] * 3500)

    assert 400 <= wait.us <= 420


def test_a_chip_that_needed_no_wait_at_all_is_waited_for_once_it_does() -> None:
    wait = a_wait(0)

    late = sent(wait, [700.0] * 2000)

    assert wait.us >= 700
    assert sum(late) < 400


def test_a_wait_that_began_far_too_long_falls_within_a_few_hundred_pages() -> None:
    wait = a_wait(2900)

    sent(wait, [400.0] * 2000)

    assert 400 <= wait.us <= 420


@given(
    begun_us=st.integers(0, TPP_MAX_US),
    us=st.integers(1, TPP_MAX_US),
    count=st.integers(1, 3000),
)
def test_a_chip_whose_pages_are_alike_is_never_waited_for_too_shortly_once_it_was_not(
    begun_us: int, us: int, count: int
) -> None:
    """The wait falls on evidence only; guessing lower would lose half a batch each time."""
    wait = a_wait(begun_us)

    late = sent(wait, [us] * count)

    first_good = late.index(False) if False in late else len(late)
    assert not any(late[first_good:])
    assert wait.us <= TPP_MAX_US


def test_pages_are_looked_at_once_for_a_while_where_no_shorter_wait_would_do() -> None:
    wait = a_wait()
    assert wait.first_look_us < wait.us

    sent(wait, [400.0] * 300)
    assert wait.first_look_us == wait.us
    sent(wait, [400.0] * 900)

    assert wait.first_look_us < wait.us, "and then anew: the chip may have grown quicker"
    assert wait.us == 408


def test_no_more_pages_are_risked_with_a_new_wait_than_have_proven_it_twice_over() -> None:
    wait = a_wait()
    assert wait.pages_worth_risking <= 16
    sent(wait, [400.0] * 64)
    assert wait.pages_worth_risking >= 128

    sent(wait, [500.0] * 300)

    assert wait.us >= 500
    assert wait.pages_worth_risking <= 2 * PAGES_REMEMBERED


RATES = {
    "all alike": 500,
    "both": 400,
}
"""Kilobytes a second. The plain loop of pages and polls makes 243 of either."""


@pytest.mark.parametrize("case", RATES)
def test_pages_are_programmed_in_model_time_at_no_less_than(case: str) -> None:
    assert ours_kb_s(CASES[case]) >= RATES[case]


def test_a_lone_slow_page_costs_its_own_repetition_only() -> None:
    with_one = ours_kb_s(CASES["one takes 4 x as long"])

    assert with_one == pytest.approx(ours_kb_s(CASES["all alike"]), rel=0.03)


def test_the_wait_grows_by_the_share_of_the_pages_that_were_late() -> None:
    """By 4/10 of it where all were; of an eighth of the longest, where that is more."""
    grown = []
    for wait_us, late_of_16 in ((1000, 16), (1000, 8), (100, 8)):
        wait = PageWait(wait_us, longest_us=3000)
        for n in range(16):
            wait.take(busy_at_first_look=True, busy_at_end=n < late_of_16)
        wait.adapt()
        grown.append(wait.us)

    assert grown == [1000 + 1 + 400, 1000 + 1 + 200, 100 + 1 + 75]
