"""A job whose files are not as saved: what is named, and what still works."""

import shutil
from pathlib import Path

import pytest

from tests.cli.workplace import Workplace, copied, run, three_lines, told


def spoil(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.chmod(0o600)
    path.write_bytes(bytes(data))


def test_a_whole_folder_is_checked_offline(place: Workplace) -> None:
    checked = run("next", str(place.job), "--check")

    assert checked.exit_code == 0
    assert "every file is as its journal says" in checked.stdout


@pytest.mark.parametrize(
    "name",
    [
        "job.toml",
        "round-1/original.bin",
        "round-1/image-1.bin",
        "round-1/image-1.bin.sha256",
        "round-1/changes-1.json",
        "round-1/chip.json",
        "round-1/journal.jsonl",
        "round-1/journal.head",
    ],
)
def test_each_damaged_file_is_named_with_status_1(place: Workplace, name: str) -> None:
    spoil(place.job / name)

    checked = run("next", str(place.job), "--check", "--json")

    assert checked.exit_code == 1
    facts = told(checked)
    is_journal = name.startswith("round-1/journal")
    assert facts["damage"][0]["path"] == ("round-1/journal.jsonl" if is_journal else name)
    assert facts["error"]["exit_status"] == 1


def lines_of(place: Workplace) -> list[bytes]:
    return (place.job / "round-1" / "journal.jsonl").read_bytes().splitlines(keepends=True)


def put_lines(place: Workplace, lines: list[bytes]) -> None:
    (place.job / "round-1" / "journal.jsonl").write_bytes(b"".join(lines))


@pytest.mark.parametrize("how", ["edited", "cut", "reordered"])
def test_an_edited_cut_or_reordered_journal_is_noticed(place: Workplace, how: str) -> None:
    lines = lines_of(place)
    match how:
        case "edited":
            lines[2] = lines[2].replace(b'"', b"'", 1)
        case "cut":
            lines = lines[:-1]
        case "reordered":
            lines[1], lines[2] = lines[2], lines[1]
    put_lines(place, lines)

    checked = run("next", str(place.job), "--check")

    assert checked.exit_code == 1
    assert "journal.jsonl" in checked.stdout


def test_a_torn_last_line_is_no_error(place: Workplace) -> None:
    put_lines(place, [*lines_of(place), b'{"n":99,"at":"20'])

    checked = run("next", str(place.job), "--check")

    assert checked.exit_code == 0
    assert "never finished and do not count" in " ".join(checked.stdout.split())


def test_a_folder_without_a_job_is_said_to_be_one(place: Workplace) -> None:
    refused = run("next", str(place.folder / "nowhere"), "--check")

    assert refused.exit_code == 3
    assert "There is no job in" in refused.stderr


def test_verify_compares_with_what_is_intact_and_says_what_is_not(place: Workplace) -> None:
    spoil(place.job / "round-1" / "image-1.bin")

    held = place.on_job("verify")

    assert held.exit_code == 0, held.stderr
    assert "the chip holds the original, byte for byte" in held.stdout
    assert "Not compared with: image-1.bin in round-1 was changed" in " ".join(held.stdout.split())


def test_verify_calls_nobody_a_stranger_while_the_original_is_damaged(place: Workplace) -> None:
    spoil(place.job / "round-1" / "original.bin")

    held = place.on_job("verify")

    assert held.exit_code == 3
    assert "original.bin in round-1 was changed" in held.stderr
    assert "neither" not in held.stderr


def test_what_is_said_of_a_later_round_names_the_round(place: Workplace) -> None:
    again = place.on_job("dump", "--again")
    assert again.exit_code == 0, again.stderr

    held = place.on_job("verify")
    coming = run("next", str(place.job))

    assert "the chip holds the original of round 2, byte for byte" in held.stdout
    assert "original of round 2 of 16777216 bytes" in " ".join(coming.stdout.split())


def damage_in(place: Workplace) -> list[tuple[str, str]]:
    checked = run("next", str(place.job), "--check", "--json")
    assert checked.exit_code == 1
    return [(one["path"], one["seen"]) for one in told(checked)["damage"]]


@pytest.mark.parametrize("name", ["journal.head", "journal.jsonl"])
def test_a_journal_that_is_gone_is_one_damage_and_leads_back_through_a_new_job(
    place: Workplace, name: str
) -> None:
    (place.job / "round-1" / name).unlink()

    assert damage_in(place) == [(f"round-1/{name}", f"{name} is missing from round-1")]
    refused = run("next", str(place.job), "--check")
    assert three_lines(refused)[1] == (
        f"{place.job} has 1 damaged thing in it, first round-1/{name}: {name} is missing from"
        " round-1."
    )
    assert three_lines(refused)[2] == three_lines(run("next", str(place.job)))[2]
    assert "flashbench dump NEWJOB" in three_lines(refused)[2]


def test_a_job_file_that_is_gone_is_made_again_and_no_damage(place: Workplace) -> None:
    (place.job / "job.toml").unlink()

    checked = run("next", str(place.job), "--check")

    assert checked.exit_code == 0
    assert checked.stdout.splitlines() == [
        "  note     job.toml: is missing; the journal has its text, and the next command",
        "           makes it again",
        "  damaged  nothing: every file is as its journal says",
    ]


def test_a_job_file_that_is_gone_with_the_journal_is_told_in_plain_words(place: Workplace) -> None:
    (place.job / "job.toml").unlink()
    (place.job / "round-1" / "journal.head").unlink()

    assert damage_in(place) == [
        ("round-1/journal.head", "journal.head is missing from round-1"),
        ("job.toml", "cannot be read: No such file or directory"),
    ]


def test_the_round_of_another_job_is_to_be_moved_out(place: Workplace, tmp_path: Path) -> None:
    other = copied(place, tmp_path / "other")
    for words in (("dump", "--again"),) * 2:
        assert other.on_job(*words).exit_code == 0
    shutil.copytree(other.job / "round-3", place.job / "round-2")

    assert damage_in(place) == [("round-2", "belongs to another job: move it out of the folder")]
    refused = run("next", str(place.job), "--check")
    assert three_lines(refused)[2] == (
        "Keep this folder otherwise as it is; what is moved out may be another job's own."
    )


def test_a_file_of_another_job_is_not_taken_for_an_interrupted_saving_for_sure(
    place: Workplace,
) -> None:
    (place.job / "round-1" / "kept-1.bin").write_bytes(b"another job's")

    checked = run("next", str(place.job), "--check")

    assert checked.exit_code == 0
    assert " ".join(checked.stdout.split()) == (
        "note round-1/kept-1.bin: is not in the journal, and no evidence: its saving was"
        " interrupted, or it belongs to another job: then move it out of the folder"
        " damaged nothing: every file is as its journal says"
    )


def test_a_missing_round_is_a_folder_to_put_back(place: Workplace) -> None:
    assert place.on_job("dump", "--again").exit_code == 0
    (place.job / "round-1").rename(place.folder / "elsewhere")

    assert damage_in(place)[0] == ("round-1", "the round is missing")
    assert "Put that folder back" in three_lines(run("next", str(place.job), "--check"))[2]
    assert "put that folder back" in three_lines(run("next", str(place.job)))[2]


def test_next_does_not_praise_a_change_sheet_that_is_gone(place: Workplace) -> None:
    (place.job / "round-1" / "changes-1.json").unlink()

    coming = run("next", str(place.job))

    assert coming.exit_code == 0
    said = " ".join(coming.stdout.split())
    assert "with its change sheet" not in said
    assert (
        "image 1 on disk, its change sheet not as it was saved: flashbench next"
        f" {place.job} --check" in said
    )
