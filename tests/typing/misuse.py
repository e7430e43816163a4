"""Steps skipped or swapped. Never run: mypy --strict must refuse each marked line.

`warn_unused_ignores` turns every marker into an assertion: a line that mypy no longer refuses
fails the check.
"""

from pathlib import Path

import flashbench as fb


def a_write_without_any_evidence(image: bytes) -> None:
    fb.rewrite(image)  # type: ignore[arg-type]


def a_write_of_a_backup(backup: fb.Backup) -> None:
    fb.rewrite(backup)  # type: ignore[arg-type]


def a_plan_without_a_backup(chip: fb.Identified, read: fb.StableRead, image: bytes) -> None:
    fb.plan_rewrite(chip, read, image)  # type: ignore[arg-type]


def a_plan_from_bytes_on_disk(chip: fb.Identified, path: Path, image: bytes) -> None:
    fb.plan_rewrite(chip, path.read_bytes(), image)  # type: ignore[arg-type]


def a_plan_for_an_adapter(adapter: fb.Adapter, backup: fb.Backup, image: bytes) -> None:
    fb.plan_rewrite(adapter, backup, image)  # type: ignore[arg-type]


def a_plan_for_a_path(chip: fb.Identified, backup: fb.Backup, path: Path) -> None:
    fb.plan_rewrite(chip, backup, path)  # type: ignore[arg-type]


def a_backup_of_one_read(read: bytes, job: fb.Job) -> None:
    fb.back_up(read, job)  # type: ignore[arg-type]


def a_backup_of_a_chip_not_read(chip: fb.Identified, job: fb.Job) -> None:
    fb.back_up(chip, job)  # type: ignore[arg-type]


def two_reads_of_a_chip_not_identified(adapter: fb.Adapter) -> None:
    fb.read_twice(adapter)  # type: ignore[arg-type]


def a_recovery_without_looking(chip: fb.Identified, backup: fb.Backup) -> None:
    fb.plan_recovery(chip, backup, target=backup.image)  # type: ignore[arg-type]


def a_recovery_from_a_stable_read(read: fb.StableRead, backup: fb.Backup) -> None:
    fb.plan_recovery(read, backup, target=backup.image)  # type: ignore[arg-type]


def a_rewrite_from_a_best_reading(chip: fb.Identified, best: fb.BestReading, image: bytes) -> None:
    fb.plan_rewrite(chip, best, image)  # type: ignore[arg-type]


def a_replacement_without_keeping_what_it_held(read: fb.StableRead, backup: fb.Backup) -> None:
    fb.plan_replacement(read, backup, target=backup.image)  # type: ignore[arg-type]


def a_replacement_from_bytes(kept: fb.Kept, image: bytes) -> None:
    fb.plan_replacement(kept, image, target=image)  # type: ignore[arg-type]


def contents_kept_of_one_read(read: bytes, job: fb.Job) -> None:
    fb.keep_contents(read, job)  # type: ignore[arg-type]


def a_best_reading_taken_for_a_backup(best: fb.BestReading) -> fb.Backup:
    return best  # type: ignore[return-value]


def a_proof_of_a_plan(plan: fb.Plan) -> None:
    fb.verify(plan)  # type: ignore[arg-type]


def a_second_proof_of_a_proof(proof: fb.Verified) -> None:
    fb.verify(proof)  # type: ignore[arg-type]


def an_identification_without_a_supply(adapter: fb.Adapter) -> None:
    fb.identify(adapter)  # type: ignore[call-arg]


def a_supply_given_by_place(adapter: fb.Adapter) -> None:
    fb.identify(adapter, 3.3)  # type: ignore[call-arg]


def a_plan_written_to(plan: fb.Plan, image: bytes) -> None:
    plan.target = image  # type: ignore[misc]


class ABackupOfMyOwn(fb.Backup):  # type: ignore[misc]
    """Would pass isinstance checks."""
