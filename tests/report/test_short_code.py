"""The short code of an image."""

import hashlib

from hypothesis import given
from hypothesis import strategies as st

from flashbench.report.short_code import short_code


@given(st.binary(max_size=40))
def test_a_code_is_eight_consonants_that_no_hex_reader_takes_for_hex(data: bytes) -> None:
    code = short_code(hashlib.sha256(data).hexdigest())

    first, second = code.split("-")
    assert len(first) == len(second) == 4
    assert set(first + second) <= set("BCDFGHJKLMNPQRSTVWXZ")


def test_a_code_is_the_hash_in_base_twenty_lowest_place_first() -> None:
    number = 1 + 20 * 2 + 400 * 3 + 20**7 * 19  # letters C, D, F, B, B, B, B, Z

    assert short_code(f"{number:064x}") == "CDFB-BBBZ"


def test_a_thousand_images_have_a_thousand_codes() -> None:
    codes = {short_code(hashlib.sha256(str(n).encode()).hexdigest()) for n in range(1000)}

    assert len(codes) == 1000
