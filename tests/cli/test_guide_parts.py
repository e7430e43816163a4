"""What the guide is made of: the verdict before heat, the order of steps, its notes."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.cli.guide.allowed_supply import why_not
from flashbench.cli.guide.before_heat import Feasibility, Verdict, judge
from flashbench.cli.guide.course import COURSE, Standing, Step, coming, key_of
from flashbench.cli.guide.desk import Desk
from flashbench.cli.guide.edit_writing import (
    Place,
    Wish,
    evident,
    open_questions,
    place_of,
    read_row,
    readings,
    settled,
    with_reading,
    write_edit,
)
from flashbench.cli.guide.notes import Notes, decode, load_notes, replace_notes, save_notes
from flashbench.cli.guide.on_the_board import read_image_file
from flashbench.cli.guide.work import Work, read_range
from flashbench.cli.options import BenchOptions
from flashbench.cli.output import Output
from flashbench.cli.stopping import Stopping
from flashbench.errors import CheckFailed
from flashbench.image.apply_edit import apply_edit
from flashbench.image.checks import CheckKind
from flashbench.image.edit_file import parse_edit
from flashbench.image.inspection import Editable, inspect
from flashbench.image.memory_edit import Answer, Unsaid
from flashbench.image.memory_package import MemoryPackage, parse_package_file
from flashbench.image.strap_table import StrapRow, StrapTable, choose_rows
from flashbench.job.refusals import JobDamaged, JobForeign, JobInUse
from flashbench.rehearsal.demo_board import DEMO
from tests.cli.guided import board_image

ALL_WELL = Feasibility(
    limit_gbit=128,
    wanted_gbit=64,
    same_type=True,
    same_balls=True,
    more_ranks=False,
    ranks_wired=None,
    straps_readable=True,
    records=[Editable.HERE, Editable.UNKNOWN],
)


def test_nothing_against_it_and_nothing_open_is_a_go() -> None:
    assert judge(ALL_WELL) == (Verdict.GO, ())


@pytest.mark.parametrize(
    ("against", "reason"),
    [
        ({"wanted_gbit": 256}, "The processor takes 128 Gbit = 16 GB at most"),
        ({"same_type": False}, "Memory types differ"),
        ({"same_balls": False}, "does not fit the board's pads"),
        ({"more_ranks": True, "ranks_wired": False}, "no edit adds them"),
        ({"records": [Editable.SIGNED, Editable.DIGEST]}, "would refuse the edit"),
    ],
)
def test_what_rules_the_board_out_is_a_no_go_whatever_else_is_open(
    against: dict[str, object], reason: str
) -> None:
    known = replace(ALL_WELL, straps_readable=None, **against)  # type: ignore[arg-type]

    verdict, reasons = judge(known)

    assert verdict is Verdict.NO_GO
    assert [reason in told for told in reasons] == [True]


@pytest.mark.parametrize(
    "unknown",
    [
        {"limit_gbit": None},
        {"wanted_gbit": None},
        {"same_type": None},
        {"same_balls": None},
        {"more_ranks": None},
        {"more_ranks": True, "ranks_wired": None},
        {"straps_readable": None},
        {"straps_readable": False},
        {"records": None},
        {"records": []},
        {"records": [Editable.COMPRESSED, Editable.UNKNOWN]},
    ],
)
def test_what_is_not_known_is_never_a_go(unknown: dict[str, object]) -> None:
    verdict, reasons = judge(replace(ALL_WELL, **unknown))  # type: ignore[arg-type]

    assert verdict is Verdict.NOT_KNOWN
    assert len(reasons) == 1


def standing(*, passed: tuple[Step, ...] = (), visit: int = 1, **facts: Any) -> Standing:
    notes = Notes(visit=visit)
    for step in passed:
        notes = notes.passing(key_of(step, notes))
    return Standing(label="board 17", notes=notes, **facts)


def test_a_new_job_begins_before_anything_is_heated() -> None:
    assert coming(standing()) is Step.BEFORE_HEAT


def test_each_step_that_is_passed_leads_to_the_next_and_the_last_to_none() -> None:
    for number, step in enumerate(COURSE):
        assert coming(standing(passed=COURSE[:number])) is step
    assert coming(standing(passed=COURSE)) is None


def test_an_unfinished_write_comes_before_all_else() -> None:
    facts = standing(
        passed=COURSE, rounds=1, dumped=True, verbs_on=("finish", "restore"), verb="finish"
    )

    assert coming(facts) is Step.RECOVER


@pytest.mark.parametrize(
    ("facts", "step"),
    [
        ({"verb": "edit"}, Step.INSPECT),
        ({"verb": "write", "has_image": True}, Step.WRITE),
        ({"verb": "outcome", "has_image": True}, Step.SOLDER),
    ],
)
def test_what_the_job_proves_counts_whoever_did_it(facts: dict[str, Any], step: Step) -> None:
    assert coming(standing(passed=(Step.INTAKE,), rounds=1, dumped=True, **facts)) is step


def test_a_chip_that_came_back_is_dumped_anew() -> None:
    once = (Step.INTAKE, Step.BEFORE_HEAT)
    back = standing(passed=once, visit=2, rounds=1, dumped=True, has_image=True, verb="outcome")

    assert coming(back) is Step.LIFT


TEXTS = st.text(max_size=60)


@settings(max_examples=40)
@given(
    visit=st.integers(1, 9999),
    passed=st.lists(TEXTS, max_size=5),
    answers=st.dictionaries(TEXTS, TEXTS, max_size=5),
)
def test_notes_are_read_as_they_were_saved(
    tmp_path_factory: pytest.TempPathFactory,
    visit: int,
    passed: list[str],
    answers: dict[str, str],
) -> None:
    folder = tmp_path_factory.mktemp("job")
    notes = Notes(visit=visit, passed=tuple(passed), answers=answers)

    save_notes(folder, notes)

    assert load_notes(folder) == notes


def test_a_folder_that_is_not_there_has_no_notes_and_saving_makes_it(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    assert load_notes(folder) == Notes()

    save_notes(folder, Notes(visit=2))

    assert load_notes(folder).visit == 2
    assert folder.stat().st_mode & 0o077 == 0


@given(data=st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_whatever_guide_toml_holds_is_understood_or_refused(data: bytes) -> None:
    try:
        decode(data)
    except (JobDamaged, JobForeign) as refusal:
        assert "guide.toml" in refusal.seen


def test_notes_of_another_version_are_refused() -> None:
    with pytest.raises(JobForeign, match=r"guide\.toml states format 2"):
        decode(b"flashbench_guide = 2")


def test_damaged_notes_say_how_to_go_on_without_them() -> None:
    with pytest.raises(JobDamaged, match="not what the guide writes") as refused:
        decode(b'flashbench_guide = 1\nvisit = "two"')

    assert refused.value.next_step == (
        "Move guide.toml out of the folder: the guide then asks its questions again."
    )


def test_notes_that_another_guide_made_meanwhile_are_not_written_over(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    mine = Notes(passed=("before heat",))
    replace_notes(folder, Notes(), mine)
    others = mine.answering("marking", "of the other guide")
    replace_notes(folder, mine, others)

    with pytest.raises(JobInUse, match="Another guide is at work") as refused:
        replace_notes(folder, mine, mine.answering("marking", "of this one"))

    assert load_notes(folder) == others
    assert refused.value.next_step.endswith(f"flashbench guide {folder}")
    assert refused.value.state == "What the steps before did is done and kept."


BENCH = """
[[adapter]]
serial = "FB0001"
name = "small chips"
supply_volts = 1.8
level_shifter = "on the socket board"
"""


def work_at(
    folder: Path, options: BenchOptions, monkeypatch: pytest.MonkeyPatch, *answers: str
) -> tuple[Work, list[str]]:
    """Work on a job in `folder`, and the questions that were put to whoever answers so."""
    given, asked = iter(answers), list[str]()

    def ask_text(output: Output, question: str) -> str:
        asked.append(question)
        return next(given)

    monkeypatch.setattr(Output, "ask_text", ask_text)
    output = Output(json=True)
    return Work(output, Desk(output, Stopping(output.warn)), folder, options), asked


def test_the_supply_is_asked_for_once_a_sitting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    options = BenchOptions(adapter="rehearsal:bench", bench=no_bench(tmp_path), marking=OF_3_VOLTS)
    work, asked = work_at(tmp_path, options, monkeypatch, "about three", "3.0")

    assert [work.at_bench().supply, work.at_bench().supply] == [3.0, 3.0]
    assert len(asked) == 2  # the first was no answer

    again, asked = work_at(tmp_path, options, monkeypatch, "3.3")
    assert again.at_bench().supply == 3.3
    assert asked == ["Volts at the chip now (last time 3)?"]


OF_3_VOLTS = "W25Q128JVSQ"
"""A marking whose supply the table has from a datasheet."""


def no_bench(folder: Path) -> Path:
    path = folder / "bench.toml"
    path.write_text("")
    return path


def test_where_the_bench_file_says_the_supply_nobody_is_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(BENCH)
    options = BenchOptions(adapter="small chips", bench=bench)
    work, asked = work_at(tmp_path, options, monkeypatch)

    assert work.at_bench().supply is None
    assert "supplies 1.8 V" in str(work.socket_sentence)
    assert asked == []


def test_of_several_adapters_one_is_chosen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    urls = ["ftdi://ftdi:232h:A/1", "ftdi://ftdi:232h:B/1"]
    found = [SimpleNamespace(opens=True, url=url) for url in urls]
    monkeypatch.setattr("flashbench.adapter.find_adapters", lambda: found)
    options = BenchOptions(supply=1.8, bench=no_bench(tmp_path))
    work, asked = work_at(tmp_path, options, monkeypatch, urls[1])

    assert work.at_bench().adapter == urls[1]
    assert work.at_bench().adapter == urls[1]
    assert len(asked) == 1


def test_the_clock_at_which_the_contact_was_good_is_kept_and_each_command_finds_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    options = BenchOptions(adapter="rehearsal:b", supply=1.8, bench=no_bench(tmp_path))
    work, _ = work_at(tmp_path, options, monkeypatch)
    work.answered("visit 1 clock", "15000000")

    assert work.good_clock_hz == 15_000_000
    assert work.at_bench(clock_hz=work.good_clock_hz).clock == 15_000_000
    assert work.at_bench().clock is None
    named = replace(options, clock=5_000_000)
    assert work_at(tmp_path, named, monkeypatch)[0].at_bench().clock == 5_000_000


def test_a_kept_answer_that_can_no_longer_be_taken_is_asked_for_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    options = BenchOptions(adapter="rehearsal:b", supply=1.8, bench=no_bench(tmp_path))
    work, asked = work_at(tmp_path, options, monkeypatch, "1.65-1.95", "?")
    for key in ("datasheet supply", "visit 1 clock", "heat image"):
        work.answered(key, "no such thing")

    assert work.good_clock_hz is None
    assert work.at_bench().datasheet_supply is None
    assert work.must("datasheet supply", "Which range?", read_range) == (1.65, 1.95)
    assert work.ask("heat image", "Which file?", read_image_file) is None
    assert work.ask("heat image", "Which file?", read_image_file) is None
    assert asked == ["Which range?", "Which file?"]


def fitted() -> MemoryPackage:
    return parse_package_file(DEMO.new_package_toml)


SIZE = 1 << 20


@pytest.fixture(scope="module")
def place() -> Place:
    data = board_image(SIZE)
    found = inspect(data)
    row = settled(choose_rows(data, found.tables, straps=DEMO.straps), DEMO.straps)
    assert row is not None
    return place_of(row, found)


def test_the_edit_file_makes_the_edit_that_the_rehearsal_makes(place: Place) -> None:
    """`demo_edited_image` uses nothing of the editing code."""
    data = board_image(SIZE)
    wanted = Wish(about="more memory", package=fitted(), packages_on_board=2)

    text = write_edit(data, inspect(data), place, wanted)

    assert apply_edit(data, parse_edit(text)).image == board_image(SIZE, edited=True)
    assert parse_edit(text).about == "more memory"


def test_without_straps_no_row_of_several_is_chosen() -> None:
    data = board_image(SIZE)
    found = inspect(data)

    assert settled(choose_rows(data, found.tables), None) is None


def table_of(rows: int) -> StrapTable:
    listed = [
        StrapRow(index=index, offset=512 * index, record=None, equal_to=None)
        for index in range(rows)
    ]
    return StrapTable(offset=0, stride=512, rows=tuple(listed))


@pytest.mark.parametrize(
    ("rows", "text", "index"),
    [
        (8, "2", 2),
        (8, "010", 2),
        (8, "0", 0),
        (8, "7", 7),
        (8, "111", 7),
        (2, "1", 1),
        (4, "10", 2),
        (16, "1010", 10),
        (16, "12", 12),
        (1, "0", 0),
    ],
)
def test_a_row_is_named_by_its_number_from_0_or_by_all_its_straps(
    rows: int, text: str, index: int
) -> None:
    table = table_of(rows)

    assert read_row(table, table.rows)(text).index == index


@pytest.mark.parametrize(
    ("rows", "text"),
    [(8, "8"), (8, "10"), (16, "10"), (16, "11"), (8, "0010"), (8, "01x"), (8, "-1"), (8, "²")],
)
def test_what_names_no_row_or_could_name_two_is_no_answer(rows: int, text: str) -> None:
    table = table_of(rows)

    with pytest.raises(ValueError, match=r"all \d of its straps: 0 \(0"):
        read_row(table, table.rows)(text)


def test_of_rows_that_are_not_offered_none_is_taken() -> None:
    table = table_of(8)

    with pytest.raises(ValueError, match=r"its straps: 2 \(010\), 3 \(011\)$"):
        read_row(table, table.rows[2:4])("1")


@pytest.mark.parametrize(
    ("marking", "datasheet", "volts", "why"),
    [
        (None, None, 3.3, "of unknown supply is not 3 V"),
        ("banana", None, 3.3, "of unknown supply is not 3 V"),
        ("W25Q64JVSSIQ", None, 3.3, "of unknown supply is not 3 V"),  # by a family rule only
        (OF_3_VOLTS, None, 1.8, "takes 2.70 to 3.60 V"),
        ("W25Q80BW", (2.7, 3.6), 3.3, "takes 1.65 to 1.95 V"),
        ("banana", (1.65, 1.95), 3.3, "You read 1.65 to 1.95 V"),
        (None, None, 1.8, None),
        ("banana", None, 1.8, None),
        ("banana", (2.7, 3.6), 3.3, None),
        (OF_3_VOLTS, None, 3.3, None),
    ],
)
def test_above_the_class_of_1_8_volts_something_has_to_show_that_the_chip_takes_them(
    marking: str | None, datasheet: tuple[float, float] | None, volts: float, why: str | None
) -> None:
    said = why_not(volts, marking=marking, datasheet=datasheet)

    assert (said is None) == (why is None)
    assert why is None or why in str(said)


def test_what_is_evident_is_not_asked_and_all_else_is(place: Place) -> None:
    data = board_image(SIZE)
    known = evident(place, fitted(), by_straps=True)
    wanted = Wish(about="", package=fitted(), packages_on_board=2, answers=known)

    asked = open_questions(data, write_edit(data, inspect(data), place, wanted))

    assert known == {
        Unsaid.STRAPS: Answer.DONE,
        Unsaid.WIRED_RANKS: Answer.NOT_NEEDED,
        Unsaid.WIRED_CHANNELS: Answer.NOT_NEEDED,
    }
    assert asked is not None
    assert set(asked) == set(Unsaid) - set(known)


def test_more_ranks_than_the_record_has_are_asked_about(place: Place) -> None:
    larger = replace(fitted(), dies=4, ranks=2)

    assert Unsaid.WIRED_RANKS not in evident(place, larger, by_straps=False)


def test_a_check_that_can_be_read_in_two_ways_is_open_until_one_is_named(place: Place) -> None:
    assert place.block.check is not None
    other = replace(place.block.check, kind=CheckKind.ADLER_32)
    doubtful = replace(place.block, alternatives=(other,))

    ways = readings(doubtful)

    assert readings(place.block) == ()
    assert [way.split(" at ")[0] for way in ways] == ["CRC-32/ISO-HDLC", "Adler-32"]
    assert with_reading(doubtful, 1).checks == (other,)
    assert not with_reading(doubtful, 1).ambiguous


def test_a_record_under_a_signature_is_not_edited(place: Place) -> None:
    data = board_image(SIZE)
    found = inspect(data)
    row = settled(choose_rows(data, found.tables, straps=DEMO.straps), DEMO.straps)
    assert row is not None
    signed = replace(
        found, memory=tuple(replace(one, editable=Editable.SIGNED) for one in found.memory)
    )

    with pytest.raises(CheckFailed, match="under a signature"):
        place_of(row, signed)
