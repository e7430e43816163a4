"""The statistics of flipped bits, held against counting one bit after the other."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.chip.diagnosis import Diagnosis, Finding, Observations, diagnose
from flashbench.chip.flips import Flips, flips_among, same_places

READS = st.integers(1, 24).flatmap(
    lambda size: st.lists(st.binary(min_size=size, max_size=size), min_size=1, max_size=6)
)


def bit(data: bytes, at: int) -> int:
    return data[at // 8] >> (at % 8) & 1


@settings(max_examples=200, deadline=None)
@given(READS)
def test_flips_are_what_counting_bit_by_bit_gives(reads: list[bytes]) -> None:
    bits = range(8 * len(reads[0]))
    most = {at: int(2 * sum(bit(read, at) for read in reads) > len(reads)) for at in bits}
    wrong = [(read, at) for read in reads for at in bits if bit(read, at) != most[at]]

    found = flips_among(reads)

    if found is None:
        assert len(set(reads)) == 1
        return
    assert found.rising_bits == sum(bit(read, at) for read, at in wrong)
    assert found.falling_bits == sum(1 - bit(read, at) for read, at in wrong)
    assert found.lanes == tuple(sum(at % 8 == lane for _, at in wrong) for lane in range(8))
    assert found.places == tuple(sorted({at // 8 for _, at in wrong}))
    assert found.wrong_bytes == sum(
        any(bit(read, 8 * place + lane) != most[8 * place + lane] for lane in range(8))
        for read in reads
        for place in range(len(read))
    )


@given(st.binary(min_size=1, max_size=40), st.integers(1, 5))
def test_equal_reads_have_no_flips(data: bytes, count: int) -> None:
    assert flips_among([data] * count) is None
    assert flips_among([data] * count, truth=data) is None


def at(*places: int) -> Flips:
    return Flips(
        wrong_bytes=len(places),
        compared_bytes=4096,
        places=places,
        rising_bits=len(places),
        falling_bits=0,
        lanes=(len(places), 0, 0, 0, 0, 0, 0, 0),
    )


@pytest.mark.parametrize(
    ("tries", "same"),
    [
        ([at(5), at(5), at(5)], True),
        ([None, at(5), at(5)], True),
        ([at(5, 9), at(5), at(9)], True),
        ([at(5, 9), at(5), None], False),  # half is not most
        ([at(5), at(6), at(7)], False),
        ([at(1, 2, 3), at(3, 4, 5), at(6, 7)], False),
        ([at(*range(1000)), at(*range(1000)), None], False),  # a quarter of everything
        ([None, None, None], False),
    ],
)
def test_cells_err_at_the_same_places_and_contacts_elsewhere(
    tries: list[Flips | None], same: bool
) -> None:
    assert same_places(tries, stretch_bytes=4096) is same


def found_with(wrong: int) -> Diagnosis:
    return Diagnosis(
        name=Finding.INTERMITTENT,
        sentences=(),
        next_action="",
        flips=flips_among([bytes(wrong), b"\1" * wrong], truth=bytes(wrong)),
    )


GOOD = Diagnosis(name=Finding.GOOD, sentences=(), next_action="", stable=True)
NO_CHIP = Diagnosis(name=Finding.FLOATING, sentences=(), next_action="", wrong_reads=5)


def test_the_count_is_told_against_the_last_try() -> None:
    assert found_with(4).compared_with(found_with(312)) == "312 wrong bytes at the last try, 4 now."
    assert GOOD.compared_with(found_with(1)) == "1 wrong byte at the last try, 0 now."


def test_unanswered_reads_are_no_bytes_to_count_against() -> None:
    """From no chip to a bad contact is no change from 5 to 312 for the worse."""
    assert found_with(312).compared_with(NO_CHIP) == "floating at the last try, intermittent now."
    assert NO_CHIP.compared_with(found_with(9)) == "intermittent at the last try, floating now."
    assert GOOD.compared_with(NO_CHIP) == "floating at the last try, good now."


def test_flips_in_one_direction_only_are_named_a_level_or_a_pull() -> None:
    right = bytes(range(64))
    risen = bytes(byte | 0x80 for byte in right)
    reads = (bytes.fromhex("ef4018ef4018"),) * 16
    tries = ((right, right, risen), (right, right, right), (right, right, right))

    said = " ".join(diagnose(Observations(id_reads=reads, tries=tries)).sentences)

    assert "64 bits rose, 0 fell, 64 of them in bit 7" in said
    assert "All flips go from 0 to 1: a level or a pull." in said
