"""The windows an image holds more than once, against counting them one by one."""

import random
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.image import repeated_windows
from flashbench.image.repeated_windows import OCCURRENCES_MAX, PARTS, PIECE, WINDOW, WindowParts


def counted(data: bytes) -> dict[bytes, list[int]]:
    places = defaultdict(list)
    for at in range(len(data) - WINDOW + 1):
        window = data[at : at + WINDOW]
        if len(set(window)) > 1:
            places[window].append(at)
    return {window: at for window, at in places.items() if 2 <= len(at) <= OCCURRENCES_MAX}


def found(data: bytes) -> dict[bytes, list[int]]:
    places = {}
    with ThreadPoolExecutor(1) as threads:
        parts = WindowParts(data, threads)
    for part in range(PARTS):
        repeated = parts.repeated(part)
        for first, size in zip(repeated.first.tolist(), repeated.sizes.tolist(), strict=True):
            word = int(repeated.words[first]).to_bytes(WINDOW, "little")
            places[word] = repeated.positions[first : first + size].tolist()
    return places


@settings(max_examples=60, deadline=None)
@given(
    pieces=st.lists(
        st.one_of(st.sampled_from((b"HEAD", b"\0" * 9, b"ab" * 40)), st.binary(max_size=6)),
        max_size=60,
    )
)
def test_repeated_windows_are_those_that_counting_finds(pieces: list[bytes]) -> None:
    data = b"".join(pieces)

    assert found(data) == counted(data)


def test_windows_are_found_across_the_pieces_that_the_image_is_looked_at_in() -> None:
    data = bytearray(random.Random(5).randbytes(PIECE + 40))
    data[PIECE - 2 : PIECE + 2] = data[10:14] = b"SIGN"

    assert found(bytes(data))[b"SIGN"] == [10, PIECE - 2]


def test_windows_too_frequent_to_be_kept_are_not_taken_for_rare_ones(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(repeated_windows, "PIECE", 64)
    monkeypatch.setattr(repeated_windows, "PIECES_AT_ONCE", 3)
    monkeypatch.setattr(repeated_windows, "KEYS_MAX", 100)
    noise = random.Random(6).randbytes(400)
    data = b"\x01\x02" * 900 + noise + b"\x01\x02" * 900 + noise + b"\x03\x04\x05" * 65

    assert found(data) == counted(data)
