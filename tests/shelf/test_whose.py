"""Whose chip one is: by number, by hash, by sectors; and what is never guessed."""

import hashlib
import shutil
from pathlib import Path

from flashbench.job.check import check_folder
from flashbench.job.disk import Disk
from flashbench.job.folder import Job
from flashbench.job.sector_digests import decode, digest_sectors, encode
from flashbench.shelf.entry import ChipId
from flashbench.shelf.listing import read_shelf
from flashbench.shelf.whose import ChipSeen, Whose, whose
from tests.builders.shelf import SECTOR, a_chip, contents, edited, stand_up

ONE, TWO = "0011223344556677", "8899aabbccddeeff"


class ListeningDisk(Disk):
    """A disk that remembers which files were read."""

    def __init__(self) -> None:
        self.read_names: list[str] = []

    def read(self, path: Path, *, at_most: int) -> bytes:
        self.read_names.append(path.name)
        return super().read(path, at_most=at_most)


def _seen(data: bytes, *, unique_id: str | None = None, jedec_id: str = "aa400c") -> ChipSeen:
    chip = ChipId(jedec_id=jedec_id, unique_id=unique_id)
    return ChipSeen(chip=chip, registers={}, contents=data)


def _ask(shelf: Path, seen: ChipSeen) -> Whose:
    return whose(seen, read_shelf(shelf).entries)


def _owner(found: Whose) -> str | None:
    return None if found.owner is None else found.owner.folder.name


def _shelf(folder: Path) -> Path:
    for board in (1, 2, 3):
        stand_up(folder, f"board-{board}", board=board, written=board == 2)
    return folder


def test_a_chip_is_known_by_the_hash_of_what_it_holds(tmp_path: Path) -> None:
    shelf = _shelf(tmp_path)

    original = _ask(shelf, _seen(contents(1)))
    image = _ask(shelf, _seen(edited(contents(3))))

    assert (_owner(original), original.held and original.held.image.name) == ("board-1", "original")
    assert (_owner(image), image.held and image.held.image.name) == ("board-3", "image 1")
    assert image.held is not None
    assert image.held.equal


def test_a_board_that_ran_since_is_known_by_its_sectors(tmp_path: Path) -> None:
    shelf = _shelf(tmp_path)
    ran = bytearray(edited(contents(2)))
    ran[9 * SECTOR : 9 * SECTOR + 4] = b"boot"

    found = _ask(shelf, _seen(bytes(ran)))

    assert _owner(found) == "board-2"
    held = found.held
    assert held is not None
    assert (held.image.name, held.equal) == ("image 1", False)
    # 16 sectors, the last 4 blank; one of the 12 others differs.
    assert (held.same_sectors, held.sector_count) == (11, 12)
    # Of another board of the model: what all share, but not the edited sector.
    assert [each.same_sectors for each in found.nearest] == [11, 8, 8]


def test_a_chip_of_no_job_is_given_to_nobody(tmp_path: Path) -> None:
    shelf = _shelf(tmp_path)

    blank = _ask(shelf, _seen(b"\xff" * len(contents(1))))
    stranger = _ask(shelf, _seen(bytes(len(contents(1)))))
    same_model = _ask(shelf, _seen(contents(99)))

    assert (_owner(blank), blank.nearest) == (None, ())
    assert (_owner(stranger), stranger.nearest) == (None, ())
    assert _owner(same_model) is None  # as like to one of the three as to another
    assert [each.same_sectors for each in same_model.nearest] == [8, 8, 8]


def test_a_little_in_common_makes_nobody_the_owner(tmp_path: Path) -> None:
    stand_up(tmp_path, "one", board=1)
    other = contents(1)[: 4 * SECTOR] + bytes(len(contents(1)) - 4 * SECTOR)

    found = _ask(tmp_path, _seen(other))

    assert _owner(found) is None
    assert [each.same_sectors for each in found.nearest] == [4]


def test_two_jobs_with_the_same_image_are_both_named(tmp_path: Path) -> None:
    shelf = _shelf(tmp_path)
    stand_up(shelf, "twin", board=1)

    found = _ask(shelf, _seen(contents(1)))

    assert _owner(found) is None
    assert {each.entry.folder.name for each in found.equal} == {"board-1", "twin"}


def test_the_unique_id_outranks_what_the_chip_holds(tmp_path: Path) -> None:
    stand_up(tmp_path, "one", board=1, unique_id=ONE)
    stand_up(tmp_path, "two", board=2, unique_id=TWO)

    found = _ask(tmp_path, _seen(contents(2), unique_id=ONE))

    assert _owner(found) == "one"
    assert found.held is not None
    assert not found.held.equal
    assert [each.entry.folder.name for each in found.equal] == ["two"]


def test_a_job_that_met_another_number_is_not_compared_by_sectors(tmp_path: Path) -> None:
    stand_up(tmp_path, "one", board=1, unique_id=ONE)
    ran = contents(1)[:-1] + b"\x00"

    assert _owner(_ask(tmp_path, _seen(ran, unique_id=TWO))) is None
    assert _owner(_ask(tmp_path, _seen(ran, unique_id=None))) == "one"
    assert _owner(_ask(tmp_path, _seen(ran, jedec_id="aa400d"))) is None


def test_both_rounds_of_a_job_count(tmp_path: Path) -> None:
    folder = stand_up(tmp_path, "one", board=1, written=True)
    ran = edited(contents(1))[:-1] + b"\x00"
    with Job.open(folder) as job:
        job.open_round(a_chip())
        job.save_original(ran, chip_facts=a_chip().facts())

    held = _ask(tmp_path, _seen(ran)).held

    assert held is not None
    assert (held.image.round_number, held.image.name, held.equal) == (2, "original", True)


def test_images_are_read_once_and_their_digests_kept(tmp_path: Path) -> None:
    shelf = _shelf(tmp_path)
    ran = contents(1)[:-1] + b"\x00"
    first, second = ListeningDisk(), ListeningDisk()

    whose(_seen(ran), read_shelf(shelf).entries, disk=first)
    found = whose(_seen(ran), read_shelf(shelf).entries, disk=second)

    assert _owner(found) == "board-1"
    assert sum(name.endswith(".bin") for name in first.read_names) == 6
    assert not any(name.endswith(".bin") for name in second.read_names)
    assert all(check_folder(entry.folder) == () for entry in read_shelf(shelf).entries)


def test_a_sector_file_that_was_changed_is_made_again(tmp_path: Path) -> None:
    folder = stand_up(tmp_path, "one", board=1)
    ran = contents(1)[:-1] + b"\x00"
    assert _owner(_ask(tmp_path, _seen(ran))) == "one"
    path = folder / "round-1" / "original.bin.sectors"
    whole = path.read_bytes()

    for spoilt in (b"", whole[:-17], whole.replace(b"of ", b"of 0", 1), b"\xff" * len(whole)):
        path.write_bytes(spoilt)
        assert _owner(_ask(tmp_path, _seen(ran))) == "one"
        assert path.read_bytes() == whole


def test_an_image_that_was_changed_on_disk_is_not_compared(tmp_path: Path) -> None:
    folder = stand_up(tmp_path, "one", board=1)
    for name in ("original.bin", "image-1.bin"):
        path = folder / "round-1" / name
        path.chmod(0o600)
        path.write_bytes(bytes(len(contents(1))))

    found = _ask(tmp_path, _seen(contents(1)[:-1] + b"\x00"))

    assert found.nearest == ()


def test_damaged_jobs_and_links_do_not_stop_the_search(tmp_path: Path) -> None:
    shelf = _shelf(tmp_path)
    shutil.copytree(shelf / "board-2", shelf / "damaged")
    (shelf / "damaged" / "round-1" / "journal.head").write_bytes(b"?")

    assert _owner(_ask(shelf, _seen(contents(2)))) == "board-2"


def test_a_sector_s_digest_is_the_start_of_its_sha256() -> None:
    image = contents(5)
    sha256 = hashlib.sha256(image).hexdigest()
    digests = digest_sectors(image)

    assert digests[8:16] == hashlib.sha256(image[SECTOR : 2 * SECTOR]).digest()[:8]
    assert decode(encode(digests, sha256=sha256), sha256=sha256, size=len(image)) == digests
    assert decode(encode(digests, sha256=sha256), sha256="0" * 64, size=len(image)) is None
