"""The guide from the first question to the report: kept answers, cautions, the ways out."""

import re
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from flashbench.cli.guide.cautions import Moment, cautions
from flashbench.cli.guide.course import COURSE, TITLES, Step
from flashbench.job.check import check_folder
from flashbench.rehearsal import arm, open_bench
from flashbench.rehearsal.demo_board import DEMO
from flashbench.rehearsal.faults import LosePower
from tests.builders.bench import SMALL
from tests.cli.guided import IN_A_PROCESS, Person, answer_to, board_image, set_up, with_small_chips
from tests.cli.terminal import Terminal
from tests.cli.test_interruptions import signal_at
from tests.cli.workplace import run, three_lines, told

STEP_OF = {
    Moment.INTAKE: Step.INTAKE,
    Moment.HEAT: Step.LIFT,
    Moment.SOCKET: Step.CONTACT,
    Moment.WRITE: Step.WRITE,
    Moment.SOLDERED: Step.SOLDER,
    Moment.BOOT: Step.FIRST_BOOT,
}
STEP_OF_CLIPPED = STEP_OF | {Moment.CLIP: Step.CONTACT, Moment.HEAT: Step.SOLDER}
del STEP_OF_CLIPPED[Moment.SOCKET]


@pytest.fixture
def person(monkeypatch: pytest.MonkeyPatch) -> Iterator[Person]:
    """At a bench, with no job yet."""
    with_small_chips(monkeypatch)
    with TemporaryDirectory() as folder:
        set_up(Path(folder))
        yield Person(Path(folder))


@pytest.fixture(scope="module")
def edited_job() -> Iterator[Person]:
    """Left at the step that writes."""
    with pytest.MonkeyPatch.context() as patched, TemporaryDirectory() as folder:
        with_small_chips(patched)
        set_up(Path(folder))
        person = Person(Path(folder))
        leaving = {"to this chip?": "no", "Try that step again": "leave"}
        person.answers |= leaving
        person.guide()
        yield person


@pytest.fixture
def writer(edited_job: Person, monkeypatch: pytest.MonkeyPatch) -> Iterator[Person]:
    """Goes on with an edited job."""
    with_small_chips(monkeypatch)
    with TemporaryDirectory() as folder:
        shutil.copytree(edited_job.folder, folder, dirs_exist_ok=True)
        yield Person(Path(folder))


def in_one_line(text: str) -> str:
    """Words as they were said, without where the lines were broken."""
    return " ".join(re.sub(r"\n +caution \d+ ", "\n ", text).split())


def by_step(said: str) -> dict[Step, str]:
    """What was said at each step, in one line each."""
    parts = re.split(r", (?:step \d+ of \d+|first): ", said)
    titles = {title: step for step, title in TITLES.items()}
    found: dict[Step, str] = {}
    for part in parts[1:]:
        title, _, rest = part.partition("\n")
        found[titles[title]] = found.get(titles[title], "") + in_one_line("\n" + rest)
    return found


def demand_each_caution_once(said: str, steps: dict[Moment, Step]) -> None:
    """Each caution is said at its step and nowhere else; those of no step, never."""
    at_step = by_step(said)
    whole = in_one_line(said)
    for moment, texts in cautions().by_moment.items():
        for text in texts:
            assert whole.count(text) == (moment in steps), text
            assert moment not in steps or text in at_step[steps[moment]], text
    assert whole.count(cautions().first) == 1


def test_a_chip_that_stays_on_the_board_is_cautioned_of_the_clip(person: Person) -> None:
    person.answers["socket, or clipped"] = "clip"

    sat = person.guide()

    assert sat.status == 0, sat.said
    demand_each_caution_once(sat.said, STEP_OF_CLIPPED)
    assert check_folder(person.job) == (), "what the guide leaves there is known to be the job's"
    assert person.cells() == board_image(SMALL.density_bytes, edited=True)


def test_a_whole_job_at_a_wide_terminal_says_each_caution_once_in_80_columns(
    person: Person,
) -> None:
    with at_a_terminal(person, columns=200) as terminal:
        while (question := terminal.asked()) is not None:
            terminal.answer(answer_to(question, person.answers))
        status = terminal.ends()

    said = terminal.text
    assert status == 0, said
    assert list(by_step(said)) == list(COURSE)
    assert "15 MHz to read, 10 MHz for what changes the chip" in by_step(said)[Step.WRITE]
    demand_each_caution_once(said, STEP_OF)
    assert person.cells() == board_image(SMALL.density_bytes, edited=True)
    assert (person.job / "report.html").exists()
    lines = [line for line in said.splitlines() if "%" not in line]
    assert [line for line in lines if len(line) > 80 and str(person.folder) not in line] == []


def at_a_terminal(person: Person, *, columns: int = 80) -> Terminal:
    words = ["guide", str(person.job), "--adapter", f"rehearsal:{person.bench}"]
    return Terminal(words, program=IN_A_PROCESS, columns=columns)


def test_every_moment_has_its_cautions() -> None:
    assert all(len(texts) > 0 for texts in cautions().by_moment.values())
    assert set(STEP_OF) | set(STEP_OF_CLIPPED) == set(Moment)


REPEATED = (
    "Volts at the chip now",
    "last three characters",
    "to this chip?",
    "Try that step again",
    "Does the board start",
    "does it show",
    "memory test run",
)
"""What is seen anew each time is asked anew."""


class Leaver(Person):
    """Leaves at every question once, and answers it when it is put again."""

    def answer(self, question: str) -> str:
        known = question in self.asked and "Try that step again" not in question
        self.asked.append(question)
        return answer_to(question, self.answers) if known else "leave"


def test_left_at_every_question_it_goes_on_at_that_question(
    person: Person,
) -> None:
    leaver = Leaver(person.folder)
    sittings = 0
    while True:
        begun = len(leaver.asked)
        sat = leaver.guide()
        sittings += 1
        assert sat.status == 0, sat.said
        if "all steps are done" in in_one_line(sat.said):
            break
        left_at = leaver.asked[begun - 1] if begun else None
        asked = [question for question in leaver.asked[begun:] if not is_repeated(question)]
        assert left_at is None or asked[:1] in ([], [left_at]) or is_repeated(left_at), asked
        assert sittings < 100

    assert sittings > 40
    assert person.cells() == board_image(SMALL.density_bytes, edited=True)


def is_repeated(question: str) -> bool:
    return any(part in question for part in REPEATED)


def test_ctrl_c_at_a_question_leaves_and_keeps_what_was_answered(person: Person) -> None:
    with at_a_terminal(person) as terminal:
        assert "Which file" in str(terminal.asked())
        terminal.answer("?")
        assert "more ranks" in str(terminal.asked())
        terminal.keys("\x03")
        status = terminal.ends()

    assert status == 130
    assert "No chip is at work." in terminal.text.splitlines()
    assert in_one_line(terminal.text).endswith(
        f"No chip is at work. Stopped on request. What is done is kept. Go on: flashbench guide"
        f" {person.job}"
    )
    assert "more ranks" in first_question(person)


def test_a_terminal_that_goes_away_ends_the_guide_and_loses_nothing(person: Person) -> None:
    with at_a_terminal(person) as terminal:
        terminal.asked()
        terminal.answer("?")
        terminal.asked()
        terminal.hang_up()
        status = terminal.ends()

    assert status == 130
    assert "more ranks" in first_question(person)


def first_question(person: Person) -> str:
    """What the guide asks when it is taken up."""
    leaver = Leaver(person.folder)
    leaver.guide()
    return leaver.asked[0]


def test_without_a_terminal_the_commands_are_named(person: Person) -> None:
    result = run("guide", str(person.job))

    assert result.exit_code == 2
    _, seen, next_step = three_lines(result)
    assert seen == "The guide asks at a terminal, and there is none."
    for name in ("intake", "dump", "edit", "write", "outcome", "report"):
        assert f"{name}," in next_step or f"{name};" in next_step
    assert not person.job.exists()


def test_json_says_which_steps_are_behind(person: Person) -> None:
    leaver = Leaver(person.folder, asked=["Which file is that? (a file, or ? for none)"])
    leaver.guide()

    facts = told(run("guide", str(person.job), "--json"))

    assert facts["step"] == "before-heat"
    assert [step["key"] for step in facts["steps"]] == [step.value for step in COURSE]
    assert not any(step["done"] for step in facts["steps"])


def test_a_job_done_by_commands_is_taken_up_where_it_stands(person: Person) -> None:
    at_bench = ("--adapter", f"rehearsal:{person.bench}", "--supply", "1.8")
    dumped = run("dump", str(person.job), "--marking", "W25Q80BW", *at_bench)
    assert dumped.exit_code == 0, dumped.stderr

    facts = told(run("guide", str(person.job), "--json"))

    done = [step["key"] for step in facts["steps"] if step["done"]]
    assert facts["step"] == "intake"
    assert done == ["before-heat", "lift", "supply", "contact", "identify", "dump"]


OF_ANOTHER_CHIP = "W25Q64JWSSIQ"


def test_a_refused_step_shows_three_lines_and_is_offered_again(person: Person) -> None:
    person.answers["printed on the chip"] = OF_ANOTHER_CHIP
    person.answers["Try that step again"] = "leave"

    sat = person.guide()

    assert sat.status == 0
    contact = by_step(sat.said)[Step.CONTACT]
    assert "The chip is untouched. The marking reads as Winbond" in contact
    assert "Try that step again? (again or leave) leave" in contact
    assert f"Go on: flashbench guide {person.job}" in in_one_line(sat.said)


def power_fails_in_the_write(person: Person) -> None:
    arm(person.bench, [LosePower(at_operation=4, seed=5)])


def operations_of(person: Person) -> int:
    with open_bench(person.bench) as bench:
        return bench.chip.operation_number


def test_a_write_that_power_cuts_off_leads_to_finish_and_on(writer: Person) -> None:
    power_fails_in_the_write(writer)

    def answer(question: str) -> str:
        if "Which way?" in question:
            arm(writer.bench, [])
            return "finish"
        return answer_to(question, writer.answers)

    writer.answer = answer  # type: ignore[method-assign]
    sat = writer.guide()

    assert sat.status == 0, sat.said
    assert "The chip is half-written." in by_step(sat.said)[Step.WRITE]
    assert "half-done" in by_step(sat.said)[Step.RECOVER]
    assert writer.cells() == board_image(SMALL.density_bytes, edited=True)


def test_leaving_a_half_written_chip_is_half_written(writer: Person) -> None:
    power_fails_in_the_write(writer)
    writer.answers["Which way?"] = "leave"

    sat = writer.guide()

    assert sat.status == 4
    said = in_one_line(sat.said)
    assert "The guide was left before the write was finished." in said
    assert said.endswith("Miller 17: Leave the chip in: it is half-written.")


def test_leaving_an_interrupted_restore_names_restore_first(writer: Person) -> None:
    power_fails_in_the_write(writer)
    ways = iter(["restore", "leave"])

    def answer(question: str) -> str:
        if "Which way?" in question:
            arm(writer.bench, [LosePower(at_operation=operations_of(writer) + 3, seed=5)])
            return next(ways)
        return answer_to(question, writer.answers)

    writer.answer = answer  # type: ignore[method-assign]
    sat = writer.guide()

    said = in_one_line(sat.said)
    assert sat.status == 4
    assert "Which way? (restore, finish or leave)" in said
    assert "Back to the original, as was begun, or on to the new image instead?" in said
    assert f"(or: flashbench restore {writer.job}, or: flashbench finish {writer.job})" in said, (
        said[-900:]
    )


def test_the_first_original_goes_back_onto_the_chip_of_a_board_that_stays_dark(
    writer: Person,
) -> None:
    starts = iter(["no", "yes"])

    def answer(question: str) -> str:
        if "Does the board start" in question:
            return next(starts)
        if "original or leave)" in question:
            return "original"
        return answer_to(question, writer.answers | {"take the chip off": "read"})

    writer.answer = answer  # type: ignore[method-assign]
    sat = writer.guide()

    assert sat.status == 0, sat.said
    assert "all steps are done" in in_one_line(sat.said)
    assert writer.cells() == board_image(SMALL.density_bytes)


def test_a_board_that_stays_dark_is_tried_once_more(writer: Person) -> None:
    starts = iter(["no", "yes"])

    def answer(question: str) -> str:
        if "Does the board start" in question:
            return next(starts)
        return answer_to(question, writer.answers | {"take the chip off": "try"})

    writer.answer = answer  # type: ignore[method-assign]
    sat = writer.guide()

    assert sat.status == 0, sat.said
    assert "round 1: the board boots" in by_step(sat.said)[Step.OUTCOME]
    assert sat.said.count("Has it started") == 2


def test_a_board_that_stays_dark_is_read_again_and_its_chip_kept_as_it_is(
    writer: Person,
) -> None:
    starts = iter(["no", "yes"])

    def answer(question: str) -> str:
        if "Does the board start" in question:
            return next(starts)
        if "original or leave)" in question:
            return "keep"
        if "take the chip off" in question:
            return "read"
        writer.asked.append(question)
        return answer_to(question, writer.answers)

    writer.answer = answer  # type: ignore[method-assign]
    sat = writer.guide()

    assert sat.status == 0, sat.said
    said = by_step(sat.said)
    assert "pin 1 at the board's mark" in said[Step.OUTCOME]
    assert "The board wrote nothing to the chip since" in said[Step.DUMP]
    assert "the board boots" in said[Step.OUTCOME]
    supply = [question for question in writer.asked if "how many volts" in question]
    assert len(supply) == 1, "the bench may have been set otherwise since"
    assert (writer.job / "round-2" / "original.bin").read_bytes() == writer.cells()
    assert writer.cells() == board_image(SMALL.density_bytes, edited=True)


def test_an_image_of_such_a_board_can_make_it_a_go_before_anything_is_heated(
    person: Person,
) -> None:
    earlier = person.folder / "earlier.bin"
    earlier.write_bytes(board_image(SMALL.density_bytes))
    person.answers |= {"Which file is that": str(earlier), "on the bag": "leave"}

    sat = person.guide()

    first = by_step(sat.said)[Step.BEFORE_HEAT]
    assert "table of 8 rows of 512 bytes" in first
    assert "Verdict: go." in first
    assert "Go on with that open" not in first


def test_a_board_that_is_ruled_out_is_gone_on_with_only_after_a_yes(person: Person) -> None:
    person.answers |= {"processor take": "4GB", "Go on all the same": "leave"}

    sat = person.guide()

    first = by_step(sat.said)[Step.BEFORE_HEAT]
    assert "Verdict: no-go." in first
    assert "takes 32 Gbit = 4 GB at most, and 64 Gbit = 8 GB are wanted" in first
    assert Step.INTAKE not in by_step(sat.said)


def test_an_amount_that_can_be_taken_in_two_ways_is_asked_back(person: Person) -> None:
    amounts = iter(["16G", "16GB"])

    def answer(question: str) -> str:
        if "processor take" in question:
            return next(amounts)
        return answer_to(question, person.answers | {"shall the board have": "leave"})

    person.answer = answer  # type: ignore[method-assign]
    sat = person.guide()

    assert "Say it with its unit: 8GB, 64Gbit or 512MB." in sat.said
    assert next(amounts, None) is None


def test_after_a_refused_image_and_a_wrong_answer_the_edit_is_asked_for_anew(
    person: Person,
) -> None:
    cut_off = person.folder / "cut-off.bin"
    cut_off.write_bytes(board_image(SMALL.density_bytes)[:-1])
    ways, right = iter(["image", "package"]), iter(["no", "yes"])
    dies = iter(["3", "2"])

    def answer(question: str) -> str:
        for part, answers in (("From which", ways), ("Is that right", right), ("Dies in", dies)):
            if part in question:
                return next(answers)
        more = {"Which image": str(cut_off), "Try that step again": "again"}
        return answer_to(question, person.answers | more | {"done, not needed": "leave"})

    person.answer = answer  # type: ignore[method-assign]
    person.answers.pop("(done, not needed")
    sat = person.guide()

    said = by_step(sat.said)
    assert f"The image has {SMALL.density_bytes - 1} bytes" in said[Step.EDIT]
    assert "48 Gbit = 6 GB per package" in said[Step.EDIT_FILE]
    assert "32 Gbit = 4 GB per package" in said[Step.EDIT_FILE]
    assert Step.WRITE not in said
    assert not list(person.job.glob("edit-*.toml"))


@pytest.mark.parametrize(
    ("answers", "why", "noted"),
    [
        ({"entitled": "no"}, "The customer is not entitled", ("--entitled", "yes")),
        (
            {"disk encryption": "yes", "recovery key": "no"},
            "its key is not at hand",
            ("--recovery-key", "yes"),
        ),
    ],
)
def test_what_forbids_the_job_stops_it_until_something_else_is_noted(
    person: Person, answers: dict[str, str], why: str, noted: tuple[str, str]
) -> None:
    person.answers = answers | person.answers | answers | {"socket, or clipped": "leave"}

    stopped = person.guide()

    assert stopped.status == 0
    assert why in in_one_line(stopped.said)
    assert f"note it: flashbench intake {person.job}" in in_one_line(stopped.said)
    assert Step.LIFT not in by_step(stopped.said)
    assert why in in_one_line(person.guide().said)

    assert run("intake", str(person.job), *noted).exit_code == 0
    assert Step.LIFT in by_step(person.guide().said)


def test_a_misread_marking_is_asked_again(person: Person) -> None:
    read = iter(["W25QSOMETHING", "W25Q80BW"])

    def answer(question: str) -> str:
        if "printed on the chip" in question:
            return next(read)
        if "how many volts" in question:
            return "leave"
        return answer_to(question, person.answers | {"Read the marking again": "again"})

    person.answer = answer  # type: ignore[method-assign]
    sat = person.guide()

    supply = by_step(sat.said)[Step.SUPPLY]
    assert "The table has nothing for 'W25QSOMETHING'." in supply
    assert "W25Q80 1.65 to 1.95 V" in supply


@pytest.mark.parametrize(
    ("number", "work", "status", "goes_on_with"),
    [
        (signal.SIGINT, "read before writing", 0, "Volts at the chip now"),
        (signal.SIGHUP, "writing", 4, "Which way?"),
    ],
)
def test_a_signal_while_the_chip_is_at_work_leaves_where_it_can_be_taken_up(
    writer: Person,
    monkeypatch: pytest.MonkeyPatch,
    number: signal.Signals,
    work: str,
    status: int,
    goes_on_with: str,
) -> None:
    with monkeypatch.context() as hooked:
        signal_at(hooked, work, number)
        sat = writer.guide()
    questions = len(writer.asked)

    assert sat.status == status, sat.said
    assert "Try that step again" not in sat.said
    assert "Which way?" not in sat.said
    writer.answers |= {"Volts at the chip now": "leave", "Which way?": "leave"}
    assert writer.guide().status == status
    assert goes_on_with in writer.asked[questions]


@pytest.mark.parametrize("named", [DEMO.straps, str(int(DEMO.straps, 2))])
def test_without_measured_straps_the_row_that_is_named_as_inspect_names_it_is_edited(
    person: Person, named: str
) -> None:
    rows = iter(["1", named])
    right = iter(["no", "yes"])

    def answer(question: str) -> str:
        if "Which row" in question:
            return next(rows)
        if "Is that the row" in question:
            return next(right)
        return answer_to(question, person.answers)

    person.answer = answer  # type: ignore[method-assign]
    person.answers |= {"straps as measured": "?"}
    sat = person.guide()

    assert sat.status == 0, sat.said
    said = by_step(sat.said)
    assert "0x00020660 row 2 (010): LPDDR5, 16 Gbit" in said[Step.INSPECT]
    assert "0x00020660 row 2 (010): LPDDR5, 16 Gbit" in said[Step.EDIT_FILE]
    assert person.cells() == board_image(SMALL.density_bytes, edited=True)


def test_measured_straps_choose_the_row_and_it_is_shown(person: Person) -> None:
    person.answers |= {"(done, not needed": "leave"}

    shown = by_step(person.guide().said)[Step.EDIT_FILE]

    assert (
        "Straps 010, the first as the most significant, choose: 0x00020660 row 2 (010): LPDDR5"
        in shown
    )
    assert "row 1 (001)" not in shown


def test_another_memory_type_is_written_only_after_a_yes_to_just_that(person: Person) -> None:
    person.answers |= {"Type of the memory": "LPDDR5X", "the other memory type": "leave"}

    sat = person.guide()

    shown = by_step(sat.said)[Step.EDIT_FILE]
    assert "CAUTION: the edit changes the memory type from LPDDR5 to LPDDR5X" in shown
    assert not list(person.job.glob("edit-*.toml"))


@pytest.mark.parametrize("fitted", ["LPDDR4X", "LPDDR4"])
def test_a_crossing_of_memory_types_is_refused(person: Person, fitted: str) -> None:
    person.answers |= {
        "Type of the memory": fitted,
        "Density of one channel": "16",
        "Channels of one die": "2",
        "Speed, in": "4267",
        "the other memory type": "yes",
        "Try that step again": "leave",
    }

    sat = person.guide()

    shown = by_step(sat.said)[Step.EDIT_FILE]
    assert f"describes LPDDR5 and the fitted package is {fitted}." in shown
    assert not list(person.job.glob("edit-*.toml"))


class Corrector(Person):
    """Answers some questions otherwise each time; the last answer stays."""

    def answer(self, question: str) -> str:
        self.asked.append(question)
        for part, answers in self.in_turn.items():
            if part in question:
                return answers.pop(0) if len(answers) > 1 else answers[0]
        return answer_to(question, self.answers)

    in_turn: dict[str, list[str]]


def corrector(person: Person, **in_turn: list[str]) -> Corrector:
    found = Corrector(person.folder, dict(person.answers))
    found.in_turn = {part.replace("_", " "): list(answers) for part, answers in in_turn.items()}
    return found


def test_of_an_unknown_chip_3_volts_are_not_taken_before_its_datasheet_was_read(
    person: Person,
) -> None:
    unsure = corrector(
        person,
        printed_on_the_chip=["banana"],
        Read_the_marking_again=["go on"],
        Which_range=["?"],
        how_many_volts=["3.3"],
        be_said_anew=["leave"],
    )

    sat = unsure.guide()

    supply = by_step(sat.said)[Step.SUPPLY]
    assert "Not with 3.3 V: no pin is driven so. Nothing shows that this chip takes" in supply
    assert Step.CONTACT not in by_step(sat.said)
    unsure.asked.clear()
    unsure.in_turn["Read the marking again"] = ["leave"]
    unsure.guide()
    assert "Read the marking again" in unsure.asked[0], "what the table lacks is asked about anew"


def test_a_marking_is_kept_only_once_it_was_looked_up(person: Person) -> None:
    person.answers |= {"printed on the chip": "banana", "Read the marking again": "leave"}
    person.guide()

    person.asked.clear()
    person.guide()

    assert "printed on the chip" in person.asked[0]


def test_wrong_volts_are_asked_for_again_before_the_write(writer: Person) -> None:
    wrong = corrector(writer, Volts_at=["3.3", "1.8"], be_said_anew=["volts"])

    sat = wrong.guide()

    assert sat.status == 0, sat.said
    assert "Not with 3.3 V: no pin is driven so." in by_step(sat.said)[Step.WRITE]
    assert writer.cells() == board_image(SMALL.density_bytes, edited=True)


def test_a_marking_that_a_step_refused_is_asked_for_again(person: Person) -> None:
    misread = corrector(
        person,
        printed_on_the_chip=[OF_ANOTHER_CHIP, "W25Q80BW"],
        Try_that_step_again=["again"],
        be_said_anew=["marking"],
    )

    sat = misread.guide()

    assert sat.status == 0, sat.said
    assert len([q for q in misread.asked if "Try that step" in q]) == 1


def test_the_chip_is_not_to_be_taken_out_where_the_next_step_reads_it(person: Person) -> None:
    person.answers["From which"] = "leave"

    said = by_step(person.guide().said)

    for step in (Step.CONTACT, Step.IDENTIFY):
        assert "Leave the chip in: the next step reads it." in said[step]
        assert "take the chip out" not in said[step]
    assert "You may take the chip out." in said[Step.DUMP]


def test_a_chip_of_bad_contact_may_be_taken_out_to_be_put_in_anew(person: Person) -> None:
    person.answers |= {"printed on the chip": OF_ANOTHER_CHIP, "Try that step again": "leave"}

    assert "You may take the chip out." in by_step(person.guide().said)[Step.CONTACT]


def test_back_leads_to_the_question_before(person: Person) -> None:
    turned = corrector(
        person,
        Which_device=["Wrong", "back", "Right"],
        Number_of_the_board=["back", "?"],
        on_the_bag=["back", "Miller", "Miller 17"],
        wrong_with_it=["leave"],
    )

    turned.guide()

    noted = told(run("intake", str(person.job), "--json"))
    assert (noted["label"], noted["device"]) == ("Miller 17", "Right")


def test_straps_that_are_too_few_for_the_table_are_asked_about(person: Person) -> None:
    few = corrector(
        person,
        straps_as_measured=["01"],
        Is_that_the_row=["no", "yes"],
        Which_row=[DEMO.straps],
    )

    sat = few.guide()

    assert sat.status == 0, sat.said
    shown = by_step(sat.said)[Step.EDIT_FILE]
    assert "choose: 0x00020460 row 1 (001): LPDDR5X" in shown
    assert "2 straps were given, and 8 rows take 3" in shown
    assert person.cells() == board_image(SMALL.density_bytes, edited=True)
