"""A job written to another chip: the own one never touched, the new one made its like."""

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import flashbench as fb
from flashbench.errors import ChipHalfWritten, ChipUntouched, OtherChip
from flashbench.job.events import KeptContents
from flashbench.job.refusals import StepRefused
from flashbench.rehearsal import NorPart, load_part
from flashbench.rehearsal.faults import LosePower, UnstableCells, WornSector
from flashbench.safe_write.best_reading import differing_ranges, majority
from flashbench.safe_write.next_step import next_step
from flashbench.safe_write.steps import job_for_dump
from flashbench.safe_write.which_chip import chips_it_can_be
from tests.builders.bench import (
    SMALL,
    TINY,
    Board,
    Visit,
    a_dumped_job,
    edited,
    finish,
    firmware,
    restore,
    write,
)

BETWEEN_TWO = LosePower(at_operation=25, between=True)
IMAGE = edited(firmware(SMALL.density_bytes), (0x1234, b"new"), (0x9_0000, b"also new"))


def a_new_chip(part: NorPart = SMALL, *, unique_id: str = "DECAFBAD00000001") -> Board:
    """Another chip of a part, with a factory number of its own and somebody's old contents."""
    other = replace(part, unique_id=bytes.fromhex(unique_id)) if part.unique_id else part
    return Board(other, firmware(part.density_bytes, seed=9))


def replaced(visit: Visit, folder: Path, image: bytes) -> fb.Verified:
    """The whole way onto the chip that is visited."""
    chip = visit.identify()
    with fb.Job.open(folder) as job:
        backup = fb.reload_backup(job)
        if job.image_number(sha(image)) is None and image != backup.image:
            job.save_image(image, {})
        kept = fb.keep_contents(fb.read_twice(chip), job)
        return fb.verify(fb.rewrite(fb.plan_replacement(kept, backup, target=image)))


def sha(image: bytes) -> str:
    from flashbench.safe_write.screening import sha256_hex

    return sha256_hex(image)


def test_a_job_goes_onto_another_chip_and_its_own_is_left_as_it_was(tmp_path: Path) -> None:
    own, new = Board(SMALL), a_new_chip()
    job = a_dumped_job(own, tmp_path / "job")
    operations = own.chip.operation_number

    with new.visit() as visit:
        proof = replaced(visit, job, IMAGE)

    assert new.contents == IMAGE
    assert proof.target_name == "image 1"
    assert (own.contents, own.chip.operation_number) == (own.original, operations)
    assert (job / "round-1" / "kept-1.bin").read_bytes() == new.original


def test_nothing_tells_which_chip_it_is_before_one_was_dumped(tmp_path: Path) -> None:
    with Board(TINY).visit() as visit:
        chip = visit.identify()
        with fb.Job.create(tmp_path / "job", chip) as job, pytest.raises(StepRefused) as refused:
            chips_it_can_be(chip, job)

    assert refused.value.seen == "Round 1 of job job has no original yet."
    assert refused.value.next_step == "Dump the chip."


def test_a_new_chip_that_was_proven_to_hold_an_image_is_known_though_its_file_is_damaged(
    tmp_path: Path,
) -> None:
    own, new = Board(SMALL), a_new_chip()
    job = a_dumped_job(own, tmp_path / "job")
    with new.visit() as visit:
        replaced(visit, job, IMAGE)
    file = job / "round-1" / "image-1.bin"
    file.chmod(0o600)
    file.write_bytes(own.original)

    with new.visit() as visit:
        restore(visit, job)

    assert new.contents == own.original


def test_the_boards_own_chip_is_never_taken_for_a_replacement(tmp_path: Path) -> None:
    own = Board(SMALL)
    job = a_dumped_job(own, tmp_path / "job")

    with own.visit() as visit, pytest.raises(OtherChip, match="factory number of the board's own"):
        replaced(visit, job, IMAGE)

    assert own.chip.change_count == 0


def test_without_factory_numbers_what_holds_the_original_is_taken_for_the_own_chip(
    tmp_path: Path,
) -> None:
    own = Board(TINY)
    job = a_dumped_job(own, tmp_path / "job")
    image = edited(own.original, (0x20, b"!"))

    with own.visit() as visit, pytest.raises(OtherChip, match="holds nothing that the board's own"):
        replaced(visit, job, image)
    assert own.chip.change_count == 0

    new = Board(TINY, firmware(1 << 16, seed=5))
    with new.visit() as visit:
        replaced(visit, job, image)
    assert new.contents == image


def test_quad_enable_drive_strength_and_protection_are_set_for_good(tmp_path: Path) -> None:
    own, new = Board(SMALL), a_new_chip()
    for name, value in (("SR1", 0x24), ("SR2", 0x02), ("SR3", 0x20)):
        own.chip.preset_register(name, value)
    new.chip.preset_register("SR2", 0x08)  # LB1 is blown here: a one-time bit
    job = a_dumped_job(own, tmp_path / "job")

    with new.visit() as visit:
        replaced(visit, job, IMAGE)

    new.chip.lose_power(new.chip.last_s, seed=0)
    new.chip.restore_power()
    assert new.chip.stored["SR1"] == 0x24
    assert new.chip.stored["SR2"] == 0x0A, "quad enable set, the one-time bit as it was"
    assert new.chip.stored["SR3"] == 0x20


def test_a_protected_new_chip_loses_a_protection_that_the_original_does_not_have(
    tmp_path: Path,
) -> None:
    own, new = Board(SMALL), a_new_chip()
    new.chip.preset_register("SR1", 0x1C)
    job = a_dumped_job(own, tmp_path / "job")

    with new.visit() as visit:
        replaced(visit, job, IMAGE)

    assert new.contents == IMAGE
    assert new.chip.stored["SR1"] == 0x00


@pytest.mark.parametrize("at", [1, 5, 40, 10**6])
def test_an_interrupted_replacement_is_finished_with_its_registers_set(
    tmp_path: Path, at: int
) -> None:
    own, new = Board(SMALL), a_new_chip()
    new.chip.preset_register("SR1", 0x1C)
    own.chip.preset_register("SR2", 0x02)
    job = a_dumped_job(own, tmp_path / "job")
    last = operations_of_a_whole_replacement(tmp_path)
    fault = LosePower(at_operation=new.chip.operation_number + min(at, last - 1), seed=at)

    with new.visit(fault) as visit, pytest.raises(ChipHalfWritten):
        replaced(visit, job, IMAGE)
    new.chip.restore_power()
    with new.visit() as visit:
        assert finish(visit, job).target_name == "image 1"

    assert new.contents == IMAGE
    assert (new.chip.stored["SR1"], new.chip.stored["SR2"]) == (0x00, 0x02)
    assert own.contents == own.original


def operations_of_a_whole_replacement(tmp_path: Path) -> int:
    own, new = Board(SMALL), a_new_chip()
    new.chip.preset_register("SR1", 0x1C)
    own.chip.preset_register("SR2", 0x02)
    job = a_dumped_job(own, tmp_path / "counted")
    before = new.chip.operation_number
    with new.visit() as visit:
        replaced(visit, job, IMAGE)
    return new.chip.operation_number - before


def test_restore_puts_the_original_onto_a_half_written_replacement(tmp_path: Path) -> None:
    own, new = Board(SMALL), a_new_chip()
    job = a_dumped_job(own, tmp_path / "job")

    with new.visit(LosePower(at_operation=30)) as visit, pytest.raises(ChipHalfWritten):
        replaced(visit, job, IMAGE)
    new.chip.restore_power()
    with new.visit() as visit:
        restore(visit, job)

    assert new.contents == own.original == own.contents


def test_the_own_chip_in_the_socket_is_not_erased_to_finish_a_replacement(tmp_path: Path) -> None:
    """Neither with factory numbers, nor without them."""
    for part in (SMALL, TINY):
        own, new = Board(part), a_new_chip(part)
        image = edited(own.original, (0x20, b"!"))
        job = a_dumped_job(own, tmp_path / part.name)
        with new.visit(LosePower(at_operation=3)) as visit, pytest.raises(ChipHalfWritten):
            replaced(visit, job, image)

        with own.visit() as visit, fb.Job.open(job) as opened:
            found = fb.read_for_recovery(visit.identify(), opened)
        assert found.kept_number is None
        assert found.suspect == ()
        assert own.chip.change_count == 0


def test_of_chips_that_cannot_be_told_apart_the_own_one_comes_first(tmp_path: Path) -> None:
    own, new = Board(TINY), a_new_chip(TINY)
    job = a_dumped_job(own, tmp_path / "job")
    with new.visit() as visit:
        replaced(visit, job, edited(own.original, (0x20, b"!")))

    with own.visit() as visit, fb.Job.open(job) as opened:
        assert chips_it_can_be(visit.identify(), opened) == (None, 1)


def test_what_was_written_to_a_replacement_before_is_known_when_its_next_write_is_torn(
    tmp_path: Path,
) -> None:
    """Image 1 lies outside the units of the torn write, and never went onto the own chip."""
    own, new = Board(SMALL), a_new_chip()
    job = a_dumped_job(own, tmp_path / "job")
    second = edited(IMAGE, (0x2_0010, b"newer"))
    with new.visit() as visit:
        replaced(visit, job, IMAGE)
    torn = LosePower(at_operation=new.chip.operation_number + 1)
    with new.visit(torn) as visit, fb.Job.open(job) as opened:
        opened.save_image(second, {})
        found = fb.read_for_recovery(visit.identify(), opened)
        plan = fb.plan_recovery(found, fb.reload_backup(opened), target=second)
        with pytest.raises(ChipHalfWritten):
            fb.rewrite(plan)

    with new.visit() as visit:
        finish(visit, job)

    assert new.contents == second


def test_a_half_written_own_chip_that_was_replaced_is_not_dumped_as_a_new_round(
    tmp_path: Path,
) -> None:
    own, new = Board(SMALL), a_new_chip()
    job = a_dumped_job(own, tmp_path / "job")
    with own.visit(LosePower(at_operation=1)) as visit, pytest.raises(ChipHalfWritten):
        write(visit, job, IMAGE)
    with new.visit() as visit:
        replaced(visit, job, IMAGE)

    with own.visit() as visit, fb.Job.open(job) as opened:
        with pytest.raises(ChipHalfWritten, match="is the board's own chip of job job") as refused:
            job_for_dump(opened, visit.identify(), job)
        half_written_round = opened.round_number
    with new.visit() as visit, fb.Job.open(job) as opened:
        job_for_dump(opened, visit.identify(), job)
        proven_round = opened.round_number

    assert "flashbench finish" in refused.value.next_step
    assert (half_written_round, proven_round) == (1, 2)


def test_a_half_written_own_chip_does_not_stand_in_the_way(tmp_path: Path) -> None:
    own, new = Board(SMALL), a_new_chip()
    job = a_dumped_job(own, tmp_path / "job")
    with own.visit(LosePower(at_operation=1)) as visit, pytest.raises(ChipHalfWritten):
        chip = visit.identify()
        with fb.Job.open(job) as opened:
            fb.rewrite(fb.plan_rewrite(chip, fb.reload_backup(opened), IMAGE))
    torn = own.contents

    with new.visit() as visit:
        replaced(visit, job, IMAGE)

    assert new.contents == IMAGE
    assert own.contents == torn
    with fb.Job.open(job) as opened:
        assert opened.unfinished() is None, "the chip last written is proven"
        assert opened.unfinished_on(None) is not None, "the own one is not"


def test_another_size_is_refused_with_the_reason(tmp_path: Path) -> None:
    own = Board(SMALL)
    job = a_dumped_job(own, tmp_path / "job")
    larger = Board(
        replace(
            SMALL,
            name="W25Q16DW",
            rdid=bytes.fromhex("ef6015"),
            density_bytes=2 << 20,
            unique_id=bytes.fromhex("DECAFBAD00000002"),
        )
    )

    with pytest.raises(ChipUntouched) as refused:
        refused_on(larger, job)

    assert "2097152 bytes, the board's own 1048576" in refused.value.seen
    assert "counts from the end of the chip" in refused.value.seen
    assert larger.chip.change_count == 0


def refused_on(board: Board, folder: Path) -> None:
    from tests.builders.bench import _IDENTIFIED_WITH

    _IDENTIFIED_WITH.setdefault(board.part.name, {"supply_volts": 1.8})
    with board.visit() as visit:
        replaced(visit, folder, IMAGE)


def test_a_chip_whose_write_was_begun_is_not_begun_again_as_a_new_one(tmp_path: Path) -> None:
    own, new = Board(SMALL), a_new_chip()
    job = a_dumped_job(own, tmp_path / "job")
    with new.visit(BETWEEN_TWO) as visit, pytest.raises(ChipHalfWritten):
        replaced(visit, job, IMAGE)
    new.chip.restore_power()

    with new.visit() as visit, pytest.raises(ChipHalfWritten, match="replacement chip 1"):
        replaced(visit, job, IMAGE)

    with fb.Job.open(job) as opened:
        assert [type(e) for e in opened.story].count(KeptContents) == 1


def test_a_chip_of_16_mib_without_sfdp_is_never_written_and_its_job_goes_onto_another(
    tmp_path: Path,
) -> None:
    """Nothing lies past the end of 3 address bytes, so only the table speaks for its size."""
    part = load_part("W25Q128JV")
    own = Board(replace(part, sfdp=b""))
    new = a_new_chip(part)
    job = a_dumped_job(own, tmp_path / "job")
    image = edited(own.original, (0x5010, b"a new memory"))
    with own.visit() as visit, pytest.raises(ChipUntouched, match="not proven: only table") as no:
        write(visit, job, image)
    assert "write --to-new-chip" in no.value.next_step.replace(str(job), "").replace("  ", " ")
    assert own.chip.change_count == 0

    with new.visit() as visit:
        replaced(visit, job, image)

    assert new.contents == image
    with own.visit() as visit, pytest.raises(OtherChip):
        replaced(visit, job, image)


def test_a_dump_whose_size_is_contradicted_goes_onto_no_chip(tmp_path: Path) -> None:
    half = firmware(1 << 24)
    part = load_part("W25Q256JV")
    own, new = Board(part, half + half), a_new_chip(part)
    job = a_dumped_job(own, tmp_path / "job")

    with (
        new.visit() as visit,
        pytest.raises(ChipUntouched, match="How large the board's own chip is, is not known"),
    ):
        replaced(visit, job, edited(own.original, (0x5010, b"a new memory")))

    assert new.chip.change_count == 0


def test_a_worn_replacement_is_named_as_the_worn_chip(tmp_path: Path) -> None:
    own = Board(SMALL)
    worn = Board(
        replace(SMALL, unique_id=bytes.fromhex("DECAFBAD00000003")),
        firmware(SMALL.density_bytes, seed=9),
        lasting=(WornSector(start=0x4000, bits=4, seed=2),),
    )
    image = edited(own.original, (0x4000, b"\xff" * 0x0F00))
    job = a_dumped_job(own, tmp_path / "job")

    with worn.visit() as visit, pytest.raises(ChipHalfWritten, match="not blank after the chip"):
        replaced(visit, job, image)
    with worn.visit() as visit, pytest.raises(ChipHalfWritten, match="failed in 2 writes"):
        finish(visit, job)

    with fb.Job.open(job) as opened:
        why = next_step(opened).why
    assert why.startswith("replacement chip 1 (ID ef5014000000, decafbad00000003) is worn")


def test_a_best_reading_is_no_backup_at_run_time_either(tmp_path: Path) -> None:
    own, new = Board(SMALL), a_new_chip()
    with own.visit(UnstableCells(start=0x2000, length=16, bits=9, seed=1)) as visit:
        chip = visit.identify()
        with fb.Job.create(tmp_path / "job", chip) as job:
            best = fb.read_best_effort(chip, job, reads=3)
            assert 0 < best.unstable_bytes <= 16
            with pytest.raises(TypeError, match="needs the Backup"):
                fb.plan_rewrite(chip, best, own.original)  # type: ignore[arg-type]
            with pytest.raises(TypeError, match="has no public constructor"):
                replace(best, image=own.original, seal=None)
            with pytest.raises(ChipUntouched, match="no original"):
                fb.reload_backup(job)
            strange = "Two reads differ|neither the original's nor an image's"
            with pytest.raises(ChipUntouched, match=strange):  # as its cells happen to read
                fb.read_for_recovery(chip, job)
            target = best.image
    assert own.chip.change_count == 0

    with new.visit() as visit, fb.Job.open(tmp_path / "job") as job:
        kept = fb.keep_contents(fb.read_twice(visit.identify()), job)
        plan = fb.plan_replacement(kept, fb.reload_best_reading(job), target=target)
        assert "not proven" in plan.doubts[0]
        assert fb.verify(fb.rewrite(plan)).target_name == "best reading"
    assert new.contents == target


def test_the_source_of_a_best_reading_is_never_its_replacement(tmp_path: Path) -> None:
    """Even once it reads the same twice again, with a factory number or without."""
    for part in (SMALL, TINY):
        own = Board(part)
        with own.visit(UnstableCells(start=0x2000, length=16, bits=9, seed=1)) as visit:
            chip = visit.identify()
            with fb.Job.create(tmp_path / part.name, chip) as job:
                best = fb.read_best_effort(chip, job, reads=3)
        own.chip._cells[:] = best.image

        with own.visit() as visit, fb.Job.open(tmp_path / part.name) as job:
            read = fb.read_twice(visit.identify())
            with pytest.raises(OtherChip, match="never written as a replacement"):
                fb.keep_contents(read, job)
            with pytest.raises(ChipUntouched, match="no original"):
                fb.read_for_recovery(visit.identify(), job)
        assert own.chip.change_count == 0


@given(
    reads=st.integers(1, 3).flatmap(
        lambda half: st.lists(
            st.binary(min_size=40, max_size=40), min_size=2 * half + 1, max_size=2 * half + 1
        )
    )
)
def test_each_bit_is_what_most_reads_say(reads: list[bytes]) -> None:
    """Against counting every bit one by one."""
    expected = bytearray(40)
    for at in range(40):
        for bit in range(8):
            ones = sum(read[at] >> bit & 1 for read in reads)
            expected[at] |= (2 * ones > len(reads)) << bit

    assert majority(reads) == bytes(expected)
    differing = {at for at in range(40) if len({read[at] for read in reads}) > 1}
    assert {at for one in differing_ranges(reads) for at in one} == differing


def test_what_a_killed_process_left_open_is_not_taken_for_the_lasting_value(tmp_path: Path) -> None:
    """The bits read as they shall, but only until the power goes off: they are written anew."""
    part = load_part("W25Q128JV")  # its bits can be set by 50h
    own = Board(part)
    image = edited(own.original, (0x1234, b"new"), (0x9_0000, b"also new"))
    new = Board(replace(part, unique_id=bytes.fromhex("DECAFBAD00000006")))
    new.chip.preset_register("SR1", 0x1C)
    job = a_dumped_job(own, tmp_path / "job")
    with new.visit() as visit, fb.Job.open(job) as opened:
        chip = visit.identify()
        opened.save_image(image, {})
        kept = fb.keep_contents(fb.read_twice(chip), opened)
        plan = fb.plan_replacement(kept, fb.reload_backup(opened), target=image)

        def unplug_midway(step: str, done: int, total: int, left_s: float | None) -> None:
            if step == "writing" and done > 0:
                visit.bench.adapter.unplug()  # the chip is powered elsewhere

        with pytest.raises(ChipHalfWritten):
            fb.rewrite(plan, progress=unplug_midway)
    assert (new.chip.current["SR1"] & 0x1C, new.chip.stored["SR1"]) == (0, 0x1C)

    with new.visit() as visit:
        finish(visit, job)

    assert new.chip.stored["SR1"] == 0x00
    assert new.contents == image


def test_a_chip_for_another_supply_is_refused(tmp_path: Path) -> None:
    own = Board(SMALL)
    job = a_dumped_job(own, tmp_path / "job")
    other = Board(
        replace(
            SMALL,
            rdid=bytes.fromhex("ef4014"),
            unique_id=bytes.fromhex("DECAFBAD00000004"),
        ),
        firmware(SMALL.density_bytes, seed=9),
    )

    with other.visit() as visit, pytest.raises(ChipUntouched, match="on the board it would not"):
        visit.how = {
            "supply_volts": 3.3,
            "datasheet_volts": (2.7, 3.6),
            "marking": "W25Q80DVSNIG",
        }
        replaced(visit, job, IMAGE)

    assert other.chip.change_count == 0


def test_a_chip_changed_after_its_contents_were_kept_is_read_again_first(tmp_path: Path) -> None:
    own, new = Board(SMALL), a_new_chip()
    job = a_dumped_job(own, tmp_path / "job")

    with new.visit() as visit, fb.Job.open(job) as opened:
        kept = fb.keep_contents(fb.read_twice(visit.identify()), opened)
        visit.adapter.session.change_count += 1
        with pytest.raises(ChipUntouched, match="changed after its contents were kept"):
            fb.plan_replacement(kept, fb.reload_backup(opened), target=own.original)


def test_a_replacement_that_needs_no_change_does_not_finish_the_own_chips_write(
    tmp_path: Path,
) -> None:
    own = Board(SMALL)
    new = Board(replace(SMALL, unique_id=bytes.fromhex("DECAFBAD00000005")), IMAGE)
    job = a_dumped_job(own, tmp_path / "job")
    with own.visit(LosePower(at_operation=1)) as visit, pytest.raises(ChipHalfWritten):
        chip = visit.identify()
        with fb.Job.open(job) as opened:
            fb.rewrite(fb.plan_rewrite(chip, fb.reload_backup(opened), IMAGE))

    with new.visit() as visit:
        replaced(visit, job, IMAGE)

    assert new.chip.change_count == 0
    with fb.Job.open(job) as opened:
        assert opened.unfinished_on(None) is not None
        assert opened.unfinished() is None
