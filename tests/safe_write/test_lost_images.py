"""Pages that a write proved to equal an image, when the image's file is damaged since."""

from flashbench.safe_write.under_way import InterruptedWrite, explained

UNITS = (range(4096), range(4096, 8192), range(8192, 12288))
ORIGINAL = b"\x11" * 16384


def half_way() -> bytes:
    """The first two units hold the lost image, the third is torn."""
    return b"\x22" * 8192 + b"\x33" * 4096 + ORIGINAL[12288:]


def strange_page(*, proven: tuple[range, ...]) -> int | None:
    lost = InterruptedWrite(units=UNITS, proven=frozenset(proven), target=None)
    return explained(half_way(), before=[ORIGINAL], writes=[lost]).strange


def test_units_proven_to_hold_a_lost_image_are_not_taken_for_torn_ones() -> None:
    assert strange_page(proven=UNITS[:2]) is None


def test_strange_pages_beside_the_proven_units_of_a_lost_image_are_still_refused() -> None:
    assert strange_page(proven=UNITS[:1]) == 8192


def test_a_blank_page_is_explained_only_where_an_erase_of_another_size_may_have_come() -> None:
    image = b"\xff" * 256 + ORIGINAL[256:]

    strange = [
        explained(image, before=[ORIGINAL], writes=[], reached=reached).strange
        for reached in ([], [range(4096)], [range(4096, 8192)])
    ]

    assert strange == [0, None, 0]
