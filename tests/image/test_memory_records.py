"""Finding SPD contents in images. Contents: tests/data/spd/README.md."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.image.checks import CheckState
from flashbench.image.memory_records import RECORDS_MAX, find_records
from tests.image.spd_data import ENTRIES, Entry, entry

MIB = 1 << 20


def random_bytes(size: int, *, seed: int) -> bytes:
    return np.random.default_rng(seed).integers(0, 256, size, dtype=np.uint8).tobytes()


@pytest.mark.parametrize("filler", ["random", "blank", "zero"])
def test_every_content_is_found_alone_in_other_data(filler: str) -> None:
    for e in ENTRIES:
        around = {
            "random": random_bytes(1000, seed=7),
            "blank": b"\xff" * 1000,
            "zero": bytes(1000),
        }[filler]
        (record,) = find_records(around + e.spd + around)

        assert record.offset == 1000, e.part
        assert record.content.type.value == e.type


def test_the_stored_length_is_told_from_what_follows() -> None:
    lpddr = entry("K4U6E3S4AA-MGCR", "lp4x/set-0").spd
    code = random_bytes(4096, seed=3)

    for length in (256, 512):
        (record,) = find_records(code + lpddr[:length] + code)
        assert record.length == length


def test_no_content_is_claimed_in_random_data() -> None:
    assert find_records(random_bytes(16 * MIB, seed=1)) == ()


def test_a_row_of_a_table_that_hardly_looks_like_one_is_found_by_its_neighbours() -> None:
    good = entry("K4U6E3S4AA-MGCR", "lp4x/set-0").spd
    odd = good[:26] + b"\x01\x01\x01\x01\x01" + good[31:]
    code = random_bytes(4096, seed=3)

    assert find_records(code + odd + code) == ()
    records = find_records(code + good + good + odd + code)
    assert [record.offset - 4096 for record in records] == [0, 512, 1024]


def test_the_crc_of_a_record_lies_at_its_place_in_the_image() -> None:
    spd = entry("MT40A512M16TB-062E-J", "board").spd
    (record,) = find_records(bytes(4096) + spd)

    assert record.crc.state is CheckState.RIGHT
    assert record.crc.offset == 4096 + 126
    assert record.crc.covers == ((4096, 4096 + 126),)


def test_a_record_is_plain_data_for_json() -> None:
    (record,) = find_records(bytes(64) + entry("MT53E1G32D2NP-046 WT:B", "lp4x/set-1").spd)
    plain = json.loads(json.dumps(record.as_json()))

    told = {"offset": 64, "type": "LPDDR4X", "density_gbit": 8, "ranks": 2, "dies": 2}
    assert told.items() <= plain.items()
    assert plain["capacity_gbit"] == 32
    assert plain["check"]["holds"] is None


def test_an_image_made_of_key_bytes_is_bounded() -> None:
    lpddr = entry("K4U6E3S4AA-MGCR", "lp4x/set-0").spd[:128]

    assert len(find_records(lpddr * 8000)) == RECORDS_MAX
    assert find_records(bytes([0x23, 0x11, 0x11, 0x0E]) * MIB) == ()


@settings(max_examples=50)
@given(st.lists(st.one_of(st.binary(max_size=300), st.sampled_from(ENTRIES)), max_size=6))
def test_whatever_the_image_records_lie_inside_it_and_apart(parts: list[bytes | Entry]) -> None:
    image = b"".join(part.spd[:300] if isinstance(part, Entry) else part for part in parts)
    end = 0
    for record in find_records(image):
        assert end <= record.offset < record.end <= len(image)
        end = record.end
