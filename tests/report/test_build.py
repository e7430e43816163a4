"""The facts of a report are those of the job's folder."""

import hashlib
from dataclasses import replace
from pathlib import Path

import pytest

from flashbench.image.memory_package import KnownFrom
from flashbench.job.events import AnnouncedUnit
from flashbench.job.refusals import JobDamaged
from flashbench.report.build import build_view
from flashbench.report.chip_facts import read_chip, read_protected
from flashbench.report.view import BoardWrote, Cell, Open, Outcome, State
from flashbench.safe_write.screening import disagreement
from tests.builders.job import a_dumped_job as a_small_job
from tests.builders.job import announcement
from tests.report import scene
from tests.report.views import view_of


@pytest.mark.parametrize(
    ("job", "state"),
    [
        ("identified", State.UNREAD),
        ("dumped", State.KEPT),
        ("edited", State.PREPARED),
        ("half written", State.HALF_WRITTEN),
        ("written", State.PROVEN),
        ("restored", State.RESTORED),
        ("second round", State.KEPT),
        ("doubtful reads", State.KEPT),
    ],
)
def test_the_state_is_what_the_journal_proves(job: str, state: State) -> None:
    assert view_of(job).state is state


def test_an_unfinished_write_outranks_an_earlier_proof(tmp_path: Path) -> None:
    with scene.a_written_job(tmp_path / "job") as job:
        scene.announce(job, scene.original(), "original", *scene.STARTS)
        view = build_view(job)

    assert view.state is State.HALF_WRITTEN
    assert view.holds is None
    assert "finish" in view.next.command


def test_the_chip_holds_what_was_proven_last_not_what_was_edited_last(tmp_path: Path) -> None:
    with scene.a_written_job(tmp_path / "job") as job:
        later = scene.edited()[:-1] + b"\x00"
        scene.edit(job, scene.original(), later)
        view = build_view(job)

    assert view.holds is not None and view.changes is not None
    assert view.holds.name == "image 1"
    assert view.changes.image_name == "image 1"
    assert [image.name for image in view.images] == ["image 1", "image 2"]


def test_numbers_and_hashes_are_those_of_the_files(tmp_path: Path) -> None:
    with scene.a_written_job(tmp_path / "job") as job:
        view = build_view(job)
    original = (tmp_path / "job/round-1/original.bin").read_bytes()
    image = (tmp_path / "job/round-1/image-1.bin").read_bytes()

    assert view.original is not None and view.changes is not None
    assert view.original.size == len(original) == view.chip.size_bytes
    assert [(file.name, file.sha256) for file in view.files] == [
        ("original", hashlib.sha256(original).hexdigest()),
        ("image 1", hashlib.sha256(image).hexdigest()),
    ]
    differing = [at for at in range(0xA4_0000, 0xE1_0000) if original[at] != image[at]]
    assert original[:0xA4_0000] == image[:0xA4_0000] and original[0xE1_0000:] == image[0xE1_0000:]
    assert view.changes.changed_bytes == len(differing)
    assert sum(row.length for row in view.changes.stretches) == len(differing)
    assert {name for row in view.changes.stretches for name in row.names} == {"SPD content"}


def test_a_change_sheet_without_names_gets_those_of_the_memory_records(tmp_path: Path) -> None:
    with scene.a_dumped_job(tmp_path / "job") as job:
        job.save_image(scene.edited(), {"made": "elsewhere"})
        changes = build_view(job).changes

    assert changes is not None
    assert [row.names for row in changes.stretches] == 2 * [
        (),  # the block's check
        ("SPD content, row 2 (010)",),
        ("SPD content, row 2 (010)",),
    ]


def test_a_changed_file_is_not_reported_about(tmp_path: Path) -> None:
    with scene.an_edited_job(tmp_path / "job") as job:
        path = tmp_path / "job/round-1/image-1.bin"
        path.chmod(0o600)
        path.write_bytes(scene.original())

        with pytest.raises(JobDamaged, match=r"image-1\.bin in round-1 was changed"):
            build_view(job)


def test_the_map_marks_the_cells_of_the_two_edited_blocks() -> None:
    view = view_of("written")

    assert view.map_after is not None and view.map_before is not None
    changed = [i for i, cell in enumerate(view.map_after.cells) if cell is Cell.CHANGED]
    assert changed == [0xA4_1000 // 0x4000, 0xE0_3000 // 0x4000]
    assert Cell.CHANGED not in view.map_before.cells
    assert view.map_after.protected == tuple(range(0xF0_0000 // 0x4000, 1024))


def test_what_the_board_wrote_between_two_rounds_is_counted() -> None:
    view = view_of("second round")

    assert view.board_wrote == BoardWrote(round_number=1, byte_count=96, stretch_count=4)
    assert view.map_before is not None
    assert view.map_before.cells.count(Cell.BOARD_WROTE) == 4
    assert [story.round_number for story in view.story] == [1, 2]
    assert [(file.round_number, file.name) for file in view.files] == [
        (1, "original"),
        (1, "image 1"),
        (2, "original"),
    ]


def test_an_untouched_second_round_says_that_nothing_was_written(tmp_path: Path) -> None:
    with scene.a_written_job(tmp_path / "job") as job:
        job.open_round(scene.a_chip())
        scene.dump(job, scene.edited())
        view = build_view(job)

    assert view.board_wrote == BoardWrote(round_number=1, byte_count=0, stretch_count=0)


def test_the_first_round_says_nothing_of_what_the_board_wrote(tmp_path: Path) -> None:
    with a_small_job(tmp_path / "job") as job:
        assert build_view(job).board_wrote is None


def test_two_reads_that_disagreed_are_compared_with_each_other() -> None:
    (seen,) = view_of("doubtful reads").read_differences
    expected = disagreement(scene.a_read(1), scene.a_read(2))

    assert expected is not None
    assert seen.names == ("doubtful-1", "doubtful-2")
    assert (seen.byte_count, seen.first) == (expected.byte_count, expected.first)
    assert seen.lanes == expected.lanes
    assert sum(seen.cells) == seen.byte_count


def test_reads_of_different_attempts_are_not_compared(tmp_path: Path) -> None:
    with scene.a_job(tmp_path / "job") as job:
        job.save_doubtful(b"a read of the first try")
        job.save_found(b"something between")
        job.save_doubtful(b"a read of a second try ")

        assert build_view(job).read_differences == ()


def test_without_knowledge_of_the_board_the_row_and_the_count_are_open() -> None:
    (change,) = view_of("written").packages

    assert (change.before.capacity_gbit, change.after.capacity_gbit) == (16, 32)
    assert change.open == (Open.ROW, Open.COUNT, Open.BOARD)


def test_what_the_bench_knows_closes_questions_and_only_a_boot_closes_the_last() -> None:
    (change,) = view_of("written", scene.BOOKING).packages

    assert (change.count, change.part) == (2, "MT62F1G32D2DS-031 WT:C")
    assert change.open == (Open.BOARD,)


def test_a_board_that_showed_its_memory_leaves_no_question(tmp_path: Path) -> None:
    with scene.a_written_job(tmp_path / "job") as job:
        seen = Outcome(boots=True, memory_shown_gbit=64)
        booted = build_view(job, booking=scene.BOOKING, outcome=seen)
        dark = build_view(job, booking=scene.BOOKING, outcome=Outcome(boots=False))

    assert booted.packages[0].open == ()
    assert dark.packages[0].open == (Open.BOARD,)


def test_what_only_the_seller_says_stays_a_question(tmp_path: Path) -> None:
    fitted = scene.BOOKING.fitted
    assert fitted is not None
    doubted = replace(fitted, known_from={**fitted.known_from, "x": KnownFrom.SELLER_ONLY})
    with scene.a_written_job(tmp_path / "job") as job:
        view = build_view(job, booking=replace(scene.BOOKING, fitted=doubted))

    assert Open.SELLER in view.packages[0].open


def test_the_table_shows_each_row_with_what_fits() -> None:
    (table,) = view_of("written", scene.BOOKING).tables
    chosen = table.rows[2]

    assert (table.offset, table.copies) == (0xA4_1260, (0xE0_3260,))
    assert [row.index_text for row in table.rows if row.changed] == ["2 (010)"]
    assert chosen.chosen_by_straps and chosen.fits_was and chosen.describes_fitted
    assert table.rows[0].misfits == ("dies", "ranks")
    assert [row.before is None for row in table.rows] == [False] * 6 + [True] * 2


def test_straps_of_another_table_do_not_hide_this_one(tmp_path: Path) -> None:
    with scene.a_written_job(tmp_path / "job") as job:
        view = build_view(job, booking=replace(scene.BOOKING, straps="11111"))

    assert len(view.tables[0].rows) == 8
    assert Open.ROW in view.packages[0].open


def test_an_edit_of_a_serial_number_is_noticed_and_the_practice_edit_touches_none(
    tmp_path: Path,
) -> None:
    image = bytearray(scene.original())
    at = image.index(b"SN WF2-") + 10
    image[at] ^= 0x01
    with scene.a_dumped_job(tmp_path / "job") as job:
        scene.edit(job, scene.original(), bytes(image))
        touched = build_view(job).changes
    quiet = view_of("written").changes

    assert touched is not None and touched.numbers_touched == ("serial number",)
    assert quiet is not None and quiet.numbers_touched == ()


def test_units_proven_in_a_row_are_one_moment() -> None:
    (story,) = view_of("written").story
    proven = [moment for moment in story.moments if moment.kind == "unit-proven"]

    assert [moment.facts for moment in proven] == [(("count", "2"),)]


def test_a_replacement_chip_is_named_as_one(tmp_path: Path) -> None:
    with scene.an_edited_job(tmp_path / "job") as job:
        kept = job.save_kept(b"\xff" * 16, scene.a_chip().facts())
        unit = AnnouncedUnit(start=0, size=4096, erase_opcode=0x20)
        job.announce(announcement(unit, target=scene.edited(), kept_number=kept.number))
        scene.finish(job, scene.edited(), 0)
        view = build_view(job)

    assert view.on_new_chip
    assert view.state is State.PROVEN


@pytest.mark.parametrize(
    "facts",
    [
        {},
        {"jedec_id": 7, "parts": "W25", "supply": [3.3], "registers": ["SR1"], "doubts": {}},
        {"supply": {"volts": [2.7], "declared_volts": "3.3"}, "protected": [[1], [5, 3], "x"]},
        {"supply": {"volts": ["a", "b"], "declared_volts": True}, "registers": {"SR1": "1C"}},
        {"supply": {"volts": [-1, 1e9], "declared_volts": float("inf")}, "protected": {"a": 1}},
    ],
)
def test_chip_facts_of_another_shape_are_left_out(facts: dict[str, object]) -> None:
    chip = read_chip(facts, size_bytes=4096, size_sources=None, size_doubt=None)

    assert chip.supply_volts is None
    assert chip.registers == () and chip.doubts == ()
    assert read_protected(facts) == ()
