"""The guide's steps with the chip on the adapter. Each is the command of its name."""

from typing import Final

from flashbench.cli.adapters import adapters_at
from flashbench.cli.check_contact import check_contact_at
from flashbench.cli.guide.cautions import Moment
from flashbench.cli.guide.course import on_visit
from flashbench.cli.guide.work import Work
from flashbench.cli.job_commands import next_at
from flashbench.cli.output import Output
from flashbench.cli.reading import dump_at, identify_at
from flashbench.cli.writing import finish_at, restore_at, write_at

_QUESTION_OF: Final = {
    ("finish", "restore"): "On to the new image, or back to the original? Both read first, and"
    " both ask before they change anything.",
    ("restore", "finish"): "Back to the original, as was begun, or on to the new image instead?"
    " Both read first, and both ask before they change anything.",
    ("restore",): "Back to the original: there is no image to go on to. It reads first, and asks"
    " before it changes anything.",
}


def contact(work: Work) -> None:
    """Adapter, chip into the socket, contact."""
    if not work.adapter_is_named:
        work.do(adapters_at)
    work.caution(Moment.CLIP if work.is_clipped else Moment.SOCKET)
    where = "Clip on" if work.is_clipped else "Put the chip in"
    work.desk.ready(f"{where}. Is it there, and its supply on?")
    options = work.at_bench()
    key = on_visit("clock", work.notes)

    def check(output: Output) -> None:
        check_contact_at(output, options)
        clock = output.facts.get("clock")
        if clock is not None:
            work.answered(key, str(clock["clock_hz"]))

    work.do(check, chip_stays=True)


def identify(work: Work) -> None:
    """Which chip answers."""
    options = work.at_bench(clock_hz=work.good_clock_hz)
    work.do(lambda output: identify_at(output, options), chip_stays=True)


def dump(work: Work) -> None:
    """Two reads, kept. A chip that was here before opens a new round."""
    options = work.at_bench()
    again = work.notes.visit > 1
    work.do(lambda output: dump_at(output, work.folder, options, again=again))
    if again:
        work.do(lambda output: next_at(output, work.folder))


def write(work: Work) -> None:
    """The required sequence; the command asks before it changes anything."""
    work.caution(Moment.WRITE)
    options = work.at_bench()
    work.do(lambda output: write_at(output, work.folder, options, yes=False))


def recover(work: Work) -> None:
    """Out of a half-written chip: on, or back."""
    work.do(lambda output: next_at(output, work.folder))
    verbs = work.standing().verbs_on
    work.output.say(f"The chip stays in the socket. {_QUESTION_OF[verbs]}")
    way = work.desk.choose("Which way?", verbs)
    options = work.at_bench()
    run = finish_at if way == "finish" else restore_at
    work.do(lambda output: run(output, work.folder, options, yes=False))
