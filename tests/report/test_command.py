"""`flashbench report`, called as the command line calls it."""

import json
from pathlib import Path

from typer.testing import CliRunner, Result

from flashbench.cli import app
from flashbench.job.folder import Job
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
