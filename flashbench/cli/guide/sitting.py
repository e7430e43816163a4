"""One sitting: from where the job stands, step after step, until it is done or left."""

from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Final

from flashbench.chip.supply import RefusedAsSaid
from flashbench.cli.guide import at_the_bench, chip_supply, on_the_board, on_the_image
from flashbench.cli.guide.cautions import cautions
from flashbench.cli.guide.course import COURSE, TITLES, Standing, Step, coming, key_of
from flashbench.cli.guide.desk import Desk, Left
from flashbench.cli.guide.work import NotYet, StepFailed, Work
from flashbench.cli.options import BenchOptions
from flashbench.cli.output import Output
from flashbench.cli.stopping import Stopping
from flashbench.errors import ChipHalfWritten, Declined, FlashbenchError, Interrupted
from flashbench.job.making import refuse_missing_parent
from flashbench.wording import command_line

_BODIES: Final[Mapping[Step, Callable[[Work], None]]] = {
    Step.BEFORE_HEAT: on_the_board.before_heat,
    Step.INTAKE: on_the_board.intake,
    Step.LIFT: on_the_board.lift,
    Step.SUPPLY: chip_supply.supply,
    Step.CONTACT: at_the_bench.contact,
    Step.IDENTIFY: at_the_bench.identify,
    Step.DUMP: at_the_bench.dump,
    Step.INSPECT: on_the_image.inspect,
    Step.EDIT_FILE: on_the_image.edit_file,
    Step.EDIT: on_the_image.edit,
    Step.WRITE: at_the_bench.write,
    Step.SOLDER: on_the_board.solder,
    Step.FIRST_BOOT: on_the_board.first_boot,
    Step.OUTCOME: on_the_board.outcome,
    Step.REPORT: on_the_board.report,
    Step.RECOVER: at_the_bench.recover,
}
_MAY_BE_PASSED: Final = frozenset({Step.BEFORE_HEAT, Step.INSPECT})
"""Steps that only inform: where their command says no, the job can go on."""


class Sitting:
    """One run of the guide on the job in a folder."""

    def __init__(self, output: Output, folder: Path, options: BenchOptions) -> None:
        self._output = output
        self._folder = folder
        self._stopping = Stopping(output.warn)
        self._desk = Desk(output, self._stopping)
        self._work = Work(output, self._desk, folder, options)

    def standing(self) -> Standing:
        """Where the job stands. Raises what `Job.open` raises."""
        return self._work.standing()

    def run(self) -> None:
        """Lead on until all steps are done.

        Raises:
            Interrupted: a signal came while nothing was half-written.
            ChipHalfWritten: it was left, by whatever way, with a half-written chip.
            WrongCall: there is no folder for the job's folder to be in.
            JobDamaged, JobForeign, JobInUse, ChipUntouched: the job cannot be opened.
        """
        refuse_missing_parent(self._folder)
        with self._stopping.on_signals():
            try:
                self._begin()
                while (step := coming(self._at_step())) is not None:
                    self._take(step)
                self._end()
            except Left:
                self._leave()
            except Interrupted as error:
                raise self._stopped() from error

    def _at_step(self) -> Standing:
        standing = self.standing()
        self._output.label = standing.label
        return standing

    def _begin(self) -> None:
        standing = self._at_step()
        said = self._output.say
        said(
            f"{standing.label}: one question at a time. Type ? for what you do not know, and leave"
            " to go on another day."
        )
        said(cautions().first)

    def _take(self, step: Step) -> None:
        """One step, as often as it takes; noted as passed where it went well."""
        where = f"step {COURSE.index(step) + 1} of {len(COURSE)}" if step in COURSE else "first"
        self._output.say()
        self._output.say(f"{self._output.label}, {where}: {TITLES[step]}")
        try:
            _BODIES[step](self._work)
        except StepFailed as failed:
            self._offer(step, failed)
        except NotYet:
            pass
        else:
            self._pass(step)

    def _pass(self, step: Step) -> None:
        notes = self._work.notes
        if step is Step.RECOVER:
            return
        self._work.note(notes.passing(key_of(step, notes)))

    def _offer(self, step: Step, failed: StepFailed) -> None:
        """After a refusal: again, on where that is possible, or leave."""
        if _was_stopped(failed.refusal):
            raise Left
        if self.standing().unfinished:
            return  # the way out of that comes first
        choices = ("again", "go on") if step in _MAY_BE_PASSED else ("again",)
        if self._desk.choose("Try that step again?", choices) == "go on":
            self._pass(step)
        elif isinstance(failed.refusal, RefusedAsSaid):
            chip_supply.say_anew(self._work)

    def _leave(self) -> None:
        standing = self._at_step()
        if standing.unfinished:
            raise self._half_written(standing)
        step = coming(standing)
        where = f" at: {TITLES[step]}" if step else ""
        self._output.say()
        self._output.say(
            f"{standing.label}: left{where}. What is done is kept. Go on:"
            f" {command_line('guide', self._folder)}"
        )

    def _stopped(self) -> FlashbenchError:
        with suppress(FlashbenchError):
            standing = self.standing()
            if standing.unfinished:
                return self._half_written(standing)
        return Interrupted(
            "Stopped on request. What is done is kept.",
            next_step=f"Go on: {command_line('guide', self._folder)}",
            state="No chip is at work.",
        )

    def _half_written(self, standing: Standing) -> ChipHalfWritten:
        self._output.job_half_written = True
        ways_on = ", or: ".join(command_line(verb, self._folder) for verb in standing.verbs_on)
        return ChipHalfWritten(
            "The guide was left before the write was finished.",
            next_step=f"Go on: {command_line('guide', self._folder)}  (or: {ways_on})",
        )

    def _end(self) -> None:
        self._output.say()
        self._output.say(
            f"{self._output.label}: all steps are done. What becomes of the board later is told"
            f" by: {command_line('outcome', self._folder)}"
        )


def _was_stopped(error: BaseException | None) -> bool:
    """Whether a signal is behind an error: then nobody is asked what to do next."""
    while error is not None:
        if isinstance(error, Interrupted):
            return not isinstance(error, Declined)
        error = error.__cause__ or error.__context__
    return False
