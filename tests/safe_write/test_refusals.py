"""What is refused before anything is changed: the sentence, and the chip as it was."""

from dataclasses import replace
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.errors import ChipHalfWritten, ChipUntouched, Interrupted
from flashbench.job.refusals import JobDamaged, JobMissing
from flashbench.rehearsal import load_part
from flashbench.rehearsal.faults import (
    MisoFlips,
    MisoSettlesLate,
    StuckBit,
    UnstableCells,
)
from flashbench.safe_write.stable_read import ReadsDisagree
from tests.builders.bench import (
    SMALL,
    TINY,
    Board,
    Visit,
    a_dumped_job,
    edited,
    finish,
    firmware,
    write,
)


def a_plan(visit: Visit, job: fb.Job, image: bytes | None = None) -> fb.Plan:
    """A plan of a small edit."""
    backup = fb.reload_backup(job)
    image = edited(backup.image, (0x5010, b"a new memory")) if image is None else image
    return fb.plan_rewrite(visit.identify(), backup, image)


@pytest.mark.parametrize("length", [0, (1 << 20) - 1, (1 << 20) + 1, 1 << 19])
def test_an_image_of_another_size_is_refused(length: int, tmp_path: Path) -> None:
    board = Board(SMALL)
    job = a_dumped_job(board, tmp_path / "board 17")
    with (
        board.visit() as visit,
        pytest.raises(
            ChipUntouched, match=f"The image has {length} bytes, the chip 1048576"
        ) as refused,
    ):
        write(visit, job, firmware(1 << 21)[:length])

    assert refused.value.exit_status == 3
    assert "nothing is padded or cut" in refused.value.next_step
    assert board.chip.change_count == 0


def test_a_chip_that_changed_since_its_backup_is_refused(tmp_path: Path) -> None:
    board = Board(SMALL)
    job = a_dumped_job(board, tmp_path / "board 17")
    later = Board(SMALL, edited(board.original, (0x8F123, b"\x00" * 3)))

    with later.visit() as visit, pytest.raises(ChipUntouched) as refused:
        write(visit, job, edited(board.original, (0x5010, b"a new memory")))

    assert "The chip no longer holds what job board 17 backed up" in refused.value.seen
    assert "3 bytes differ, first at 0x08f123" in refused.value.seen
    assert refused.value.next_step.endswith(f"flashbench dump '{tmp_path}/board 17' --again")
    assert later.chip.change_count == 0


def spoil(path: Path, offset: int) -> None:
    """Change one byte of a read-only file."""
    path.chmod(0o600)
    data = bytearray(path.read_bytes())
    data[offset] ^= 0x01
    path.write_bytes(data)


@pytest.mark.parametrize("offset", [0, 0x5010, (1 << 20) - 1])
def test_a_backup_altered_by_one_byte_is_refused(offset: int, tmp_path: Path) -> None:
    board = Board(SMALL)
    job = a_dumped_job(board, tmp_path / "board 17")
    spoil(job / "round-1" / "original.bin", offset)

    with board.visit() as visit, pytest.raises(JobDamaged, match=r"original\.bin") as refused:
        write(visit, job, edited(board.original, (0x5010, b"a new memory")))

    assert refused.value.exit_status == 3
    assert board.chip.change_count == 0


@pytest.mark.parametrize("name", ["original.bin", "image-1.bin"])
def test_a_file_altered_after_the_plan_was_made_is_refused(name: str, tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = a_plan(visit, job)
        spoil(folder / "round-1" / name, 77)

        with pytest.raises(JobDamaged, match=name):
            fb.rewrite(plan)

        assert job.unfinished() is None
    assert board.chip.change_count == 0


def test_a_missing_job_is_refused(tmp_path: Path) -> None:
    board = Board(SMALL)
    with board.visit() as visit, pytest.raises(JobMissing, match="There is no job in") as refused:
        write(visit, tmp_path / "board 18", board.original)

    assert refused.value.exit_status == 3
    assert board.chip.change_count == 0


def test_a_size_that_only_one_source_speaks_for_is_refused(tmp_path: Path) -> None:
    """16 MiB without SFDP: nothing lies past the end in 3-byte mode, so the array is silent."""
    board = Board(replace(load_part("W25Q128JV"), sfdp=b""))
    job = a_dumped_job(board, tmp_path / "board 17")
    with (
        board.visit() as visit,
        pytest.raises(
            ChipUntouched, match="The size of this chip is not proven: only table speaks for it"
        ),
    ):
        write(visit, job, edited(board.original, (0x5010, b"a new memory")))

    assert board.chip.change_count == 0


def test_an_sfdp_that_states_less_than_the_array_holds_is_dumped_and_not_written(
    tmp_path: Path,
) -> None:
    """JESD216: DWORD 2 of the basic table is the density in bits, less one."""
    sfdp = bytearray(TINY.sfdp)
    at = sfdp.index((0x10000 * 8 - 1).to_bytes(4, "little"))
    sfdp[at : at + 4] = (0x8000 * 8 - 1).to_bytes(4, "little")
    board = Board(replace(TINY, sfdp=bytes(sfdp)))
    job = a_dumped_job(board, tmp_path / "board 17")
    dumped = (job / "round-1" / "original.bin").read_bytes()
    assert dumped == board.original[:0x8000]

    with board.visit() as visit, pytest.raises(ChipUntouched) as refused:
        write(visit, job, edited(dumped, (0x5010, b"a new memory")))

    assert "The size of this chip is not proven" in refused.value.seen
    assert "does not return to the start: the array is larger" in refused.value.seen
    assert board.chip.change_count == 0


def test_an_sfdp_that_states_less_than_the_table_leaves_the_size_unproven(tmp_path: Path) -> None:
    sfdp = bytearray(load_part("W25Q128JV").sfdp)
    at = sfdp.index((0x1000000 * 8 - 1).to_bytes(4, "little"))
    sfdp[at : at + 4] = (0x800000 * 8 - 1).to_bytes(4, "little")
    board = Board(replace(load_part("W25Q128JV"), sfdp=bytes(sfdp)))
    job = a_dumped_job(board, tmp_path / "board 17")
    assert (job / "round-1" / "original.bin").stat().st_size == 1 << 24, "the largest size claimed"

    with (
        board.visit() as visit,
        pytest.raises(ChipUntouched, match="not proven: nothing speaks for it"),
    ):
        write(visit, job, edited(board.original, (0x5010, b"a new memory")))

    assert board.chip.change_count == 0


def test_an_array_that_repeats_itself_below_its_claimed_size_proves_nothing(
    tmp_path: Path,
) -> None:
    half = firmware(1 << 19)
    board = Board(SMALL, half + half)
    job = a_dumped_job(board, tmp_path / "board 17")

    with board.visit() as visit, pytest.raises(ChipUntouched, match="only table speaks for it"):
        write(visit, job, edited(board.original, (0x5010, b"a new memory")))


def test_above_16_mib_equal_halves_leave_the_size_unproven(tmp_path: Path) -> None:
    half = firmware(1 << 24)
    board = Board(load_part("W25Q256JV"), half + half)
    with board.visit() as visit:
        read = fb.read_twice(visit.identify())

    assert not read.size_is_proven
    assert read.size_doubt is not None
    assert "The two halves of the dump are equal" in read.size_doubt


def test_evidence_of_another_session_is_refused(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as first, fb.Job.open(folder) as job:
        chip = first.identify()
        plan = a_plan(first, job)
        found = fb.read_for_recovery(chip, job)
        read = fb.read_twice(chip)
    with board.visit(), fb.Job.open(folder) as job:
        backup = fb.reload_backup(job)
        sentence = "identified in another session"
        with pytest.raises(ChipUntouched, match=sentence):
            fb.rewrite(plan)
        with pytest.raises(ChipUntouched, match=sentence):
            fb.read_twice(chip)
        with pytest.raises(ChipUntouched, match=sentence):
            fb.back_up(read, job)
        with pytest.raises(ChipUntouched, match=sentence):
            fb.plan_rewrite(chip, backup, backup.image)
        with pytest.raises(ChipUntouched, match=sentence):
            fb.read_for_recovery(chip, job)
        with pytest.raises((ChipUntouched, TypeError)):
            fb.plan_recovery(found, backup, target=backup.image)

    assert board.chip.change_count == 0


def test_evidence_from_before_a_change_is_refused(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(folder) as job:
        chip = visit.identify()
        read = fb.read_twice(chip)
        found = fb.read_for_recovery(chip, job)
        backup = fb.reload_backup(job)
        stale = a_plan(visit, job)
        other = fb.plan_rewrite(chip, backup, edited(backup.image, (0x9000, b"another")))
        fb.verify(fb.rewrite(other))
        changes = board.chip.change_count

        with pytest.raises(ChipUntouched, match="The chip was changed after this plan was made"):
            fb.rewrite(stale)
        with pytest.raises(ChipUntouched, match="changed after it was read for recovery"):
            fb.plan_recovery(found, backup, target=backup.image)
        with (
            fb.Job.create(tmp_path / "board 18", chip) as second,
            pytest.raises(ChipUntouched, match="The chip was changed after it was read twice"),
        ):
            fb.back_up(read, second)

    assert board.chip.change_count == changes


def test_a_proof_of_what_was_written_over_since_is_refused(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(folder) as job:
        chip = visit.identify()
        backup = fb.reload_backup(job)
        first = fb.rewrite(a_plan(visit, job))
        found = fb.read_for_recovery(chip, job)
        fb.verify(fb.rewrite(fb.plan_recovery(found, backup, target=backup.image)))

        with pytest.raises(ChipHalfWritten, match="changed again after this plan"):
            fb.verify(first)


def test_a_unit_that_changed_between_plan_and_erase_is_refused(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = a_plan(visit, job)
        board.chip.areas["cells"][0x5800:0x5801] = bytes([board.original[0x5800] ^ 0x10])

        with pytest.raises(ChipUntouched) as refused:
            fb.rewrite(plan)

        assert job.unfinished() is None, "nothing was announced for it"
    assert "The unit at 0x005000 no longer reads as it did when the plan was made" in str(
        refused.value
    )
    assert "1 bytes differ, first at +0x800" in refused.value.seen
    assert board.chip.change_count == 0


def test_a_backup_of_an_earlier_round_is_refused(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(folder) as job:
        backup = fb.reload_backup(job)
        chip = visit.identify()
        job.open_round(chip)
        fb.back_up(fb.read_twice(chip), job)

        with pytest.raises(ChipUntouched, match="of round 1, and job board 17 is at round 2"):
            fb.plan_rewrite(chip, backup, edited(backup.image, (0x5010, b"a new memory")))


def test_a_write_is_refused_while_another_is_unfinished(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")

    def stop(step: str, done: int, total: int, left_s: float | None) -> None:
        if step == "writing" and done:
            raise Interrupted("Stopped on request.", next_step="Run it again.")

    image = edited(board.original, (0x5010, b"a new memory"), (0x9010, b"a new memory"))
    with board.visit() as visit, fb.Job.open(folder) as job:
        with pytest.raises(ChipHalfWritten, match="Stopped on request") as stopped:
            fb.rewrite(a_plan(visit, job, image), progress=stop)
        assert "flashbench finish" in stopped.value.next_step
        changes = board.chip.change_count

        with pytest.raises(
            ChipHalfWritten, match="Job board 17 has an unfinished write"
        ) as refused:
            a_plan(visit, job, image)

    assert "finish" in refused.value.next_step
    assert board.chip.change_count == changes


def test_a_stop_before_the_first_change_leaves_nothing_unfinished(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")

    def stop(step: str, done: int, total: int, left_s: float | None) -> None:
        raise Interrupted("Stopped on request.", next_step="Run it again.")

    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = a_plan(visit, job)
        with pytest.raises(Interrupted, match="Stopped on request"):
            fb.rewrite(plan, progress=stop)
        assert job.unfinished() is None

    assert board.chip.change_count == 0


def test_two_reads_that_differ_are_kept_and_refused(tmp_path: Path) -> None:
    board = Board(SMALL, lasting=(UnstableCells(start=0x8000, length=0x100, bits=8, seed=3),))
    with board.visit() as visit:
        chip = visit.identify()
        with fb.Job.create(tmp_path / "board 17", chip) as job:
            with pytest.raises(
                ReadsDisagree, match=r"Two reads differ at \d bytes?, first at"
            ) as e:
                fb.read_twice(chip, keep_doubtful_in=job)
            assert not job.has_original

    kept = sorted(path.name for path in (tmp_path / "board 17" / "round-1").glob("doubtful-?.bin"))
    assert kept == ["doubtful-1.bin", "doubtful-2.bin"]
    assert "doubtful-1.bin, doubtful-2.bin" in e.value.seen
    assert [path.name for path in e.value.kept] == kept
    assert all(path.stat().st_size == 1 << 20 for path in e.value.kept)
    assert "dump again" in e.value.next_step


@pytest.mark.parametrize(
    "fault",
    [
        MisoFlips(rate=1e-6, seed=1),
        MisoFlips(rate=1e-4, seed=2, above_hz=20e6),
        MisoSettlesLate(above_hz=20e6),
    ],
    ids=["everywhere", "at full clock", "late at full clock"],
)
def test_flipped_bits_never_become_a_backup(fault: MisoFlips, tmp_path: Path) -> None:
    board = Board(SMALL)
    with board.visit() as visit:
        chip = visit.identify()
        visit.bench.contacts.faults = (fault,)
        with pytest.raises(ChipUntouched):
            fb.read_twice(chip)


@pytest.mark.parametrize("level", [0, 1])
def test_a_stuck_data_bit_is_refused(level: int) -> None:
    image = bytes(byte | 0x10 if level else byte & ~0x10 for byte in firmware(1 << 20))
    board = Board(SMALL, image)
    with (
        board.visit() as visit,
        pytest.raises(
            ReadsDisagree, match=rf"bit 4 is always {level}: a stuck line, not a firmware"
        ),
    ):
        fb.read_twice(visit.identify())


def test_a_blank_chip_that_answers_its_id_is_noted_and_backed_up(tmp_path: Path) -> None:
    board = Board(SMALL, b"\xff" * (1 << 20))
    with board.visit() as visit:
        read = fb.read_twice(visit.identify())

    assert read.notes == ("The chip answers its ID and holds blank: there is no firmware on it.",)


def test_equal_halves_are_noted() -> None:
    half = firmware(1 << 19)
    board = Board(SMALL, half + half)
    with board.visit() as visit:
        read = fb.read_twice(visit.identify())

    assert "The two halves of the dump are equal" in read.notes[0]


def test_a_page_that_nobody_wrote_stops_recovery_before_anything_is_sent(tmp_path: Path) -> None:
    board = Board(SMALL)
    job = a_dumped_job(board, tmp_path / "board 17")
    ran_since = Board(SMALL, edited(board.original, (0x20000, b"ran")))

    with ran_since.visit() as visit, pytest.raises(ChipUntouched, match="0x020000 is neither"):
        fb_restore(visit, job)

    assert ran_since.chip.change_count == 0


def fb_restore(visit: Visit, folder: Path) -> None:
    with fb.Job.open(folder) as job:
        fb.read_for_recovery(visit.identify(), job)


def test_a_target_that_the_job_never_stored_is_refused_in_recovery(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(folder) as job:
        found = fb.read_for_recovery(visit.identify(), job)
        with pytest.raises(
            ChipUntouched, match="neither this job's original nor one of its images"
        ):
            fb.plan_recovery(found, fb.reload_backup(job), target=bytes(1 << 20))


def test_finish_without_any_image_is_refused(tmp_path: Path) -> None:
    board = Board(SMALL)
    job = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, pytest.raises(ChipUntouched, match="has no image"):
        finish(visit, job)

    assert board.chip.change_count == 0


def test_a_stuck_cell_is_part_of_the_dump_and_found_when_it_matters(tmp_path: Path) -> None:
    board = Board(SMALL, lasting=(StuckBit(address=0x5013, bit=0, level=0),))
    job = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.contents, (0x5010, b"\xff\xff\xff\xff\x01"))

    with board.visit() as visit, pytest.raises(ChipHalfWritten) as refused:
        write(visit, job, image)

    assert "The unit at 0x005000" in refused.value.seen
    assert "1 of 4096 bytes are not FFh" in refused.value.seen
    assert "--to-new-chip" in refused.value.next_step
