"""`flashbench report`, called as the command line calls it."""

import hashlib
import json
from pathlib import Path

from typer.testing import CliRunner, Result

from flashbench.cli import app
from flashbench.image.change_sheet import change_sheet
from flashbench.job.booking import book_in
from flashbench.job.folder import Job
from flashbench.job.intake import Intake
from tests.report import scene
from tests.report.reading_html import fact, page_of, read_html


def report(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["report", *map(str, arguments)])


def test_the_report_is_put_into_the_job_folder(tmp_path: Path) -> None:
    scene.a_written_job(tmp_path / "job").close()

    done = report(tmp_path / "job")

    assert done.exit_code == 0
    assert "board 17: The chip holds its new contents." in done.stdout
    tree = read_html((tmp_path / "job/report.html").read_text("utf-8"))
    assert fact(tree, "label") == "board 17"


def test_an_earlier_report_is_replaced(tmp_path: Path) -> None:
    job = scene.a_dumped_job(tmp_path / "job")
    job.close()
    report(tmp_path / "job")
    earlier = (tmp_path / "job/report.html").read_text("utf-8")
    with Job.open(tmp_path / "job") as job:
        scene.edit(job, scene.original(), scene.edited())

    assert report(tmp_path / "job").exit_code == 0
    assert (tmp_path / "job/report.html").read_text("utf-8") != earlier


def test_json_names_the_file_and_the_state(tmp_path: Path) -> None:
    scene.a_written_job(tmp_path / "job", practice=True).close()

    facts = json.loads(report(tmp_path / "job", "--json").stdout)

    assert facts["file"] == str(tmp_path / "job/report.html")
    assert (facts["state"], facts["practice"], facts["changed_bytes"]) == ("proven", True, 20)


def test_sentences_of_another_language_are_taken_from_a_file(tmp_path: Path) -> None:
    scene.a_dumped_job(tmp_path / "job").close()
    english = Path("flashbench/report/english.toml").read_text("utf-8")
    texts = tmp_path / "deutsch.toml"
    texts.write_text(english.replace("Is my data safe?", "Sind meine Daten sicher?"), "utf-8")

    assert report(tmp_path / "job", "--texts", texts).exit_code == 0
    page = page_of(read_html((tmp_path / "job/report.html").read_text("utf-8")), "customer")
    assert "Sind meine Daten sicher?" in page.text


def test_sentences_that_do_not_fit_leave_the_earlier_report(tmp_path: Path) -> None:
    scene.a_dumped_job(tmp_path / "job").close()
    report(tmp_path / "job")
    before = (tmp_path / "job/report.html").read_bytes()
    texts = tmp_path / "empty.toml"
    texts.write_text("", "utf-8")

    done = report(tmp_path / "job", "--texts", texts)

    assert done.exit_code == 1
    assert "The file of sentences lacks" in done.stderr
    assert (tmp_path / "job/report.html").read_bytes() == before


def test_a_folder_without_a_job_is_refused(tmp_path: Path) -> None:
    done = report(tmp_path)

    assert done.exit_code == 3
    assert "There is no job in" in done.stderr


def test_the_shelf_reads_all_that_was_told_of_the_board_and_the_customer_only_his_part(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "job"
    told = Intake(
        label="board 17",
        device="Wrenfield Compact 2",
        fault="more memory",
        condition="a scratch beside the socket",
        old_package="D9XXX",
        old_count=2,
        new_package="D9YYY",
        new_known_from="seller only",
        disk_encrypted=True,
        recovery_key_at_hand=True,
        entitled=True,
    )
    book_in(folder, told)
    (folder / "photos" / "before.jpg").write_bytes(b"a picture")
    with scene.a_job(folder) as job:
        scene.dump(job, scene.original())
        job.list_photos()

    assert report(folder).exit_code == 0
    tree = read_html((folder / "report.html").read_text("utf-8"))
    shelf, customer = page_of(tree, "shelf").text, page_of(tree, "customer").text
    for text in (
        "a scratch beside the socket", "D9XXX", "D9YYY", "seller only", "before.jpg",
        hashlib.sha256(b"a picture").hexdigest(), "Photos were listed: 1",
        "What was told of the board was noted",
    ):  # fmt: skip
        assert text in shelf
        assert text not in customer
    for text in ("Wrenfield Compact 2", "more memory"):
        assert text in shelf
        assert text in customer


def test_what_an_edit_leaves_open_is_for_the_shelf(tmp_path: Path) -> None:
    sheet = change_sheet(scene.original(), scene.edited()) | {
        "about": "larger packages",
        "doubts": ["speed is known from the seller only"],
        "questions": {"size_limits": "Does the firmware limit the memory size?"},
    }
    with scene.a_dumped_job(tmp_path / "job") as job:
        job.save_image(scene.edited(), sheet)

    report(tmp_path / "job")

    tree = read_html((tmp_path / "job/report.html").read_text("utf-8"))
    assert fact(tree, "edit-doubts") == "speed is known from the seller only."
    assert fact(tree, "edit-questions") == "Does the firmware limit the memory size?"
    assert "limit the memory size" not in page_of(tree, "customer").text
