"""The report in a real browser: headless Chromium, where there is one."""

import re
import shutil
import subprocess
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from flashbench.report.build import build_view
from flashbench.report.render import render
from flashbench.report.view import JobView, Outcome
from tests.report import scene
from tests.report.reading_html import fact, read_html
from tests.report.views import view_of

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")


@dataclass(frozen=True)
class Shown:
    """What the browser made of a page, and what its console said."""

    document: str
    console: tuple[str, ...]


def run(folder: Path, html: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    assert CHROMIUM is not None
    page = folder / "report.html"
    page.write_text(html, encoding="utf-8")
    command = [
        CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        "--enable-logging=stderr", f"--user-data-dir={folder / 'profile'}",
        *arguments, page.as_uri(),
    ]  # fmt: skip
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)


def shown(folder: Path, html: str) -> Shown:
    done = run(folder, html, "--dump-dom")
    console = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    return Shown(document=done.stdout, console=tuple(console))


def sheets_of_the_customers_page(folder: Path, view: JobView) -> int:
    html = re.sub(r'<article class="page shelf".*</article>', "", render(view), flags=re.DOTALL)
    html = html.replace(".customer { break-after: page; }", "")
    run(folder, html, "--no-pdf-header-footer", f"--print-to-pdf={folder / 'report.pdf'}")
    return len(re.findall(rb"/Type\s*/Page\b", (folder / "report.pdf").read_bytes()))


def test_the_report_of_a_job_opens_and_shows_its_numbers(tmp_path: Path) -> None:
    with scene.a_written_job(tmp_path / "job") as job:
        report = job.save_report(render(build_view(job)))
    original = (tmp_path / "job/round-1/original.bin").read_bytes()
    image = (tmp_path / "job/round-1/image-1.bin").read_bytes()
    differing = sum(
        old != new for old, new in zip(original[0xA4_0000:], image[0xA4_0000:], strict=True)
    )

    seen = shown(tmp_path, report.read_text("utf-8"))

    assert seen.console == ()
    tree = read_html(seen.document)
    assert fact(tree, "changed-bytes") == str(differing)
    assert (
        fact(tree, "round-1-original-sha256")
        in (tmp_path / "job/round-1/original.bin.sha256").read_text()
    )


def test_a_page_that_fetches_or_runs_something_would_be_noticed(tmp_path: Path) -> None:
    """The check above can fail: the policy of the page forbids it, and the console says so."""
    html = render(view_of("identified")).replace("</body>", "<script>alert(1)</script></body>")

    assert len(shown(tmp_path, html).console) == 1


BOOTED = Outcome(boots=True, memory_shown_gbit=64, test_hours=8)


@pytest.mark.parametrize(
    ("job", "seen"), [("practice", None), ("practice", BOOTED), ("half written", None)]
)
def test_the_fullest_customers_page_is_one_sheet_of_a4(
    tmp_path: Path, job: str, seen: Outcome | None
) -> None:
    long = "what somebody typed, and went on to type " * 10
    booking = replace(
        scene.BOOKING,
        device=long, fault=long, note=long, disk_encrypted=True, recovery_key_at_hand=False,
    )  # fmt: skip
    view = replace(
        view_of(job, scene.BOOKING),
        booking=booking, outcome=seen, label="long label " * 10, practice=True,
    )  # fmt: skip

    assert sheets_of_the_customers_page(tmp_path, view) == 1


def test_a_page_of_two_sheets_would_be_counted(tmp_path: Path) -> None:
    view = view_of("practice")
    many = replace(view, label="label " * 2000)

    assert sheets_of_the_customers_page(tmp_path, many) > 1
