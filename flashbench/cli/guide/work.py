"""What the steps of the guide share: the desk, the notes, and the way to run a command."""

from collections.abc import Callable
from dataclasses import replace
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import typer

from flashbench.cli.guide.cautions import Moment, cautions
from flashbench.cli.guide.course import Standing, Step, key_of, on_visit
from flashbench.cli.guide.desk import Desk
from flashbench.cli.guide.notes import NOT_KNOWN, Notes, load_notes, replace_notes
from flashbench.cli.options import BenchOptions, SupplyRange, supply_range, supply_volts
from flashbench.cli.output import Output, command
from flashbench.cli.sockets import Sockets
from flashbench.errors import FlashbenchError

if TYPE_CHECKING:
    from flashbench.job.intake import Intake

Body = Callable[[Output], None]
_T = TypeVar("_T")


class Said(Enum):
    """What is only known because somebody said it. The value is the word for it."""

    VOLTS = "volts"
    DATASHEET = "datasheet"
    MARKING = "marking"


class StepFailed(Exception):
    """A command of the step was refused or stopped; it has said so itself."""

    def __init__(self, refusal: FlashbenchError | None) -> None:
        super().__init__(str(refusal))
        self.refusal = refusal


class NotYet(Exception):
    """A step went well and is not done: the notes say what comes before it."""


class Work:
    """One sitting at one job."""

    def __init__(self, output: Output, desk: Desk, folder: Path, options: BenchOptions) -> None:
        self.output = output
        self.desk = desk
        self.folder = folder
        self._options = options
        self._supply = options.supply
        self._notes = load_notes(folder)

    @property
    def notes(self) -> Notes:
        """What guide.toml holds."""
        return self._notes

    def note(self, notes: Notes) -> None:
        """Keep other notes, on disk first. Raises what `replace_notes` raises."""
        if notes != self._notes:
            replace_notes(self.folder, self._notes, notes)
            self._notes = notes

    def pass_over(self, *steps: Step) -> None:
        """Steps that are not needed this time."""
        notes = self._notes
        for step in steps:
            notes = notes.passing(key_of(step, notes))
        self.note(notes)

    def answered(self, key: str, answer: str | None) -> None:
        """Keep one answer; None is "not known"."""
        self.note(self._notes.answering(key, answer))

    def kept(self, key: str, read: Callable[[str], _T]) -> _T | None:
        """A kept answer; None if there is none, or none that can still be taken as one."""
        given = self._notes.answer(key)
        try:
            return None if given is None else read(given)
        except ValueError:
            return None

    def ask(self, key: str, question: str, read: Callable[[str], _T]) -> _T | None:
        """An answer that is kept as it was typed, and asked for once. None: not known."""
        kept = self.kept(key, read)
        if kept is not None or self._notes.answers.get(key) == NOT_KNOWN:
            return kept
        answer = self.desk.ask(question, typed(read))
        self.answered(key, None if answer is None else answer[0])
        return None if answer is None else answer[1]

    def must(self, key: str, question: str, read: Callable[[str], _T]) -> _T:
        """As `ask`, where going on takes an answer."""
        kept = self.kept(key, read)
        if kept is not None:
            return kept
        text, answer = self.desk.must(question, typed(read))
        self.answered(key, text)
        return answer

    def forget(self, start: str) -> None:
        """Let all answers whose keys begin so be asked for again."""
        kept = {k: text for k, text in self._notes.answers.items() if not k.startswith(start)}
        self.note(replace(self._notes, answers=kept))

    def do(self, body: Body, *, chip_stays: bool = False) -> None:
        """Run what a command does, as the command shows it. Raises `StepFailed`.

        With `chip_stays` the step that follows reads the same chip, where this one goes well.
        """
        self.output.say()
        self._run(body, silent=False, chip_stays=chip_stays)

    def do_silently(self, body: Body) -> None:
        """Run what a command does and show only its refusal. Raises `StepFailed`."""
        self._run(body, silent=True)

    def checked(self, compute: Callable[[], _T]) -> _T:
        """What a pure function returns; its refusal is shown. Raises `StepFailed`."""
        try:
            return compute()
        except FlashbenchError as error:
            self._tell(error)
            raise StepFailed(error) from error

    def _tell(self, refusal: FlashbenchError) -> None:
        for sentence in (refusal.state, refusal.seen, refusal.next_step):
            self.output.say(sentence)

    def _run(self, body: Body, *, silent: bool, chip_stays: bool = False) -> None:
        refusal: FlashbenchError | None = None
        try:
            with command(json=silent, nested=True) as nested:
                nested.label = self.output.label
                nested.chip_stays = chip_stays
                try:
                    body(nested)
                except FlashbenchError as error:
                    refusal = error
                    raise
        except typer.Exit:
            if silent and refusal is not None:
                self._tell(refusal)
            raise StepFailed(refusal) from None

    def caution(self, moment: Moment) -> None:
        """Say the cautions of a moment, once a visit, and go on only after a yes."""
        key = on_visit(f"caution {moment.value}", self._notes)
        if key in self._notes.passed:
            return
        texts = cautions().by_moment[moment]
        self.output.rows([(f"caution {n}", text) for n, text in enumerate(texts, start=1)])
        self.desk.ready("Read, done, and ready?")
        self.note(self._notes.passing(key))

    @property
    def intake(self) -> "Intake | None":
        """What was told of the board."""
        from flashbench.job.booking import booked_in

        return booked_in(self.folder)

    @property
    def is_clipped(self) -> bool:
        """Whether the chip is worked on where it is, on the board."""
        return self._notes.answer(on_visit("way", self._notes)) == "clip"

    @property
    def adapter_is_named(self) -> bool:
        """Whether the call says which adapter to use."""
        return self._options.adapter is not None

    @property
    def supply_is_said(self) -> bool:
        """Whether the call, or somebody in this sitting, has declared the supply."""
        return self._supply is not None

    def chip_comes_back(self) -> None:
        """Begin another visit of the chip: its steps, and the supply, are to be seen to anew."""
        self.note(replace(self._notes, visit=self._notes.visit + 1))
        self._supply = self._options.supply

    def supply_said(self, volts: float) -> None:
        """What the bench gives the chip, as somebody has just said."""
        self._supply = volts
        self.answered("supply", f"{volts:g}")

    @property
    def socket_sentence(self) -> str | None:
        """What the bench file says of the adapter that the call names, if it knows it."""
        named = self._options.adapter
        socket = Sockets.of(self._options).file.named(named) if named else None
        return None if socket is None else socket.sentence()

    @property
    def marking(self) -> str | None:
        """What is printed on the chip, by the call or the notes."""
        return self._options.marking or self._notes.answer("marking")

    @property
    def datasheet_supply(self) -> SupplyRange | None:
        """The range that somebody read in the part's own datasheet."""
        return self._options.datasheet_supply or self.kept("datasheet supply", read_range)

    def unsay(self, what: Said) -> None:
        """Let it be asked for again, whoever said it and how."""
        if what is Said.VOLTS:
            self._options = replace(self._options, supply=None)
            self._supply = None
        elif what is Said.MARKING:
            self._options = replace(self._options, marking=None)
            self.forget("marking")
        else:
            self._options = replace(self._options, datasheet_supply=None)
            self.forget("datasheet supply")

    def volts(self) -> float:
        """What the chip is given: asked for once a sitting, unless the bench file says it."""
        named = self._options.adapter
        socket = Sockets.of(self._options).file.named(named) if named else None
        if self._supply is None and socket is not None:
            return socket.supply_volts
        if self._supply is None:
            last = self._notes.answer("supply")
            said = f" (last time {last})" if last else ""
            asks = f"Volts at the chip now{said}?"
            self.supply_said(self.desk.must(asks, read_volts))
        assert self._supply is not None
        return self._supply

    @property
    def good_clock_hz(self) -> int | None:
        """The clock at which the contact was found good on this visit."""
        return self.kept(on_visit("clock", self._notes), int)

    def at_bench(self, *, clock_hz: int | None = None) -> BenchOptions:
        """The options of a command at the bench, with a supply that nothing known forbids.

        `clock_hz` stands where the call names no clock. Without one the command finds its own.
        """
        from flashbench.cli.guide.chip_supply import settle_supply

        adapter = self._options.adapter or self._chosen_adapter()
        settle_supply(self)
        return replace(
            self._options,
            supply=self._supply,
            datasheet_supply=self.datasheet_supply,
            adapter=adapter,
            marking=self.marking,
            clock=self._options.clock or clock_hz,
        )

    def _chosen_adapter(self) -> str | None:
        from flashbench.adapter import find_adapters

        urls = [found.url for found in find_adapters() if found.opens and found.url]
        if len(urls) < 2:
            return None  # the command says what is there, and what is in the way
        url = self.desk.choose("Which adapter?", urls)
        self._options = replace(self._options, adapter=url)
        return url

    def standing(self) -> Standing:
        """Where the job stands now, from its folder alone. Raises what `Job.open` raises."""
        from flashbench.job.folder import Job
        from flashbench.job.refusals import JobMissing
        from flashbench.job.way_on import verbs_on
        from flashbench.safe_write.next_step import next_step

        try:
            job = Job.open(self.folder)
        except JobMissing:
            return Standing(label=self._label(), notes=self._notes)
        with job:
            if job.round_number > self._notes.visit:
                self.note(replace(self._notes, visit=job.round_number))
            unfinished = job.unfinished()
            return Standing(
                label=job.label,
                notes=self._notes,
                rounds=job.round_number,
                dumped=job.has_original,
                has_image=job.newest_image() is not None,
                verbs_on=() if unfinished is None else verbs_on(job.story, unfinished),
                verb=next_step(job).command.split()[1],
            )

    def _label(self) -> str:
        booked = self.intake
        return booked.label if booked else self.folder.resolve().name


def typed(read: Callable[[str], _T]) -> Callable[[str], tuple[str, _T]]:
    """Reads an answer, and gives what was typed with it."""
    return lambda text: (text, read(text))


def read_volts(text: str) -> float:
    """A supply as the option takes it. Raises ValueError."""
    try:
        return supply_volts(text)
    except typer.BadParameter as error:
        raise ValueError("volts, such as 3.3 or 1.8") from error


def read_range(text: str) -> SupplyRange:
    """A range of supplies as the option takes it. Raises ValueError."""
    try:
        return supply_range(text)
    except typer.BadParameter as error:
        raise ValueError("both ends in volts, such as 2.7-3.6") from error
