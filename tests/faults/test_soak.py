"""A short day at the bench in the normal run; `python -m tests.faults.soak` lives through many."""

from tests.faults.soak import COUNTS, soak


def test_whatever_happens_in_a_day_no_original_is_lost_and_no_stranger_is_touched() -> None:
    soak(days=3, steps_a_day=15, seed=6)

    assert COUNTS["days"] == 3
    assert 0 < COUNTS["days without"] < 3, "with factory numbers and without"
    assert COUNTS["brought back at the end of a day"] >= 6
    assert sum(count for what, count in COUNTS.items() if ": " in what) > 30
