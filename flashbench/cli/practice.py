"""`flashbench practice`: the whole job on a board that does not exist, an accident included.

Every step is the command's own function, run on options as a person would type them.
"""

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Final

import typer

from flashbench.cli.bag import label_end
from flashbench.cli.editing import edit_by_file_at
from flashbench.cli.inspecting import Wanted, inspect_at
from flashbench.cli.job_commands import next_at
from flashbench.cli.options import BenchOptions, JsonOption
from flashbench.cli.output import COLUMNS, Output, command
from flashbench.cli.practice_bench import bench_only_at, make_bench
from flashbench.cli.reading import dump_at, identify_at, verify_at
from flashbench.cli.report import report_at
from flashbench.cli.writing import finish_at, restore_at, write_at
from flashbench.errors import Interrupted, WrongCall
from flashbench.wording import quoted

_HALF_WRITTEN: Final = 4
_PAGES_BEFORE_THE_ACCIDENT: Final = 5
_MARKING: Final = "W25Q128JV"

Body = Callable[[Output], None]


def practice(
    folder: Annotated[
        Path | None,
        typer.Argument(
            metavar="DIR",
            show_default=False,
            help="A new folder for bench and job. Default: a temporary one, which is kept.",
        ),
    ] = None,
    bench_only: Annotated[
        bool,
        typer.Option(
            "--bench-only",
            show_default=False,
            help="Make the bench, with the board's chip in its socket, and do nothing else.",
        ),
    ] = False,
    json: JsonOption = False,
) -> None:
    """Do the whole job on a board that does not exist. Needs no hardware.

    \b
      flashbench practice
      flashbench practice practice
      flashbench practice practice --bench-only

    Dump, inspect, edit, write, verify, then a power cut in the middle of a write and the way
    out of it, and the report. The adapter and the chip are models; everything between command
    line and USB is the program itself. The folder keeps the bench, so that you can go on by
    hand. Beside the board's chip, first, it has a blank one of the same part, spare, to be
    written with --to-new-chip: the file DIR/bench/socket names the chip in the socket.

    With --json: folder, bench, job, and steps (command, exit_status, result); with
    --bench-only: folder, bench, chips.
    """
    with command(json=json) as output:
        where = _new_folder(folder)
        try:
            if bench_only:
                bench_only_at(output, where)
            else:
                _Practice(output, where).run()
        except KeyboardInterrupt as error:
            raise Interrupted(
                "Stopped on request.",
                next_step=_how_to_begin_anew(where),
                state="Nothing real was touched.",
            ) from error


def _how_to_begin_anew(folder: Path) -> str:
    return (
        f"To begin anew, name another folder, or delete this one first: {quoted(folder)} holds"
        " what was done until then."
    )


def _new_folder(wanted: Path | None) -> Path:
    if wanted is None:
        return Path(tempfile.mkdtemp(prefix="flashbench-practice-"))
    try:
        wanted.mkdir(parents=True, exist_ok=True)
        occupied = any(wanted.iterdir())
    except OSError as error:
        raise WrongCall(
            f"{quoted(wanted)} cannot be used: {error.strerror}.",
            next_step="Name a folder that is new.",
        ) from error
    if occupied:
        raise WrongCall(
            f"{quoted(wanted)} is not empty.",
            next_step="Name a folder that is new, or none at all.",
        )
    return wanted


class _Practice:
    """One practice run in one folder."""

    def __init__(self, output: Output, folder: Path) -> None:
        from flashbench.rehearsal.demo_board import DEMO

        self._output = output
        self._demo = DEMO
        self._folder = folder
        self._bench = folder / "bench"
        self._job = folder / "job"
        self._old_package = folder / "old-package.toml"
        self._new_package = folder / "new-package.toml"
        self._edit_file = folder / "edit.toml"
        self._options = BenchOptions(adapter=f"rehearsal:{self._bench}", supply=3.3)
        self._bag = label_end(DEMO.label)
        self._steps: list[dict[str, object]] = []
        output.label = DEMO.label
        output.facts = {
            "folder": str(folder),
            "bench": str(self._bench),
            "job": str(self._job),
            "steps": self._steps,
        }

    def run(self) -> None:
        """All steps in order; the first that does not end as it should is the last."""
        self._set_up()
        parts = (
            self._dump,
            self._inspect,
            self._edit,
            self._write,
            self._have_an_accident,
            self._recover,
            self._report,
        )
        for part in parts:
            part()
            if self._output.status:
                self._output.say()
                self._output.say(f"Practice ends here. {_how_to_begin_anew(self._folder)}")
                return
        self._say_what_next()

    def _set_up(self) -> None:
        make_bench(self._bench)
        self._output.say(
            f"This is a rehearsal: a {self._demo.board}, which does not exist, got larger memory,"
            f" {self._demo.packages_on_board} x {self._demo.new_part} for"
            f" {self._demo.old_part}. Its flash chip was lifted and lies in the socket of an"
            " adapter. Adapter and chip are models, and seconds are model time; from the command"
            " line down to USB everything is what you would use at the bench."
        )

    def _dump(self) -> None:
        self._tell(
            1,
            "Which chip is it? The supply is said first: no pin is driven before. The bench"
            f" supplies 3.3 V, and the marking on the chip says {_MARKING}.",
        )
        marked = replace(self._options, marking=_MARKING)
        self._do(
            ["identify", "--marking", _MARKING],
            lambda output: identify_at(output, marked),
        )
        self._tell(
            2,
            "The only copy in the world of this board's serial numbers and keys: read twice, two"
            " ways, compared, saved, read back from the disk, hashed.",
        )
        self._do(
            ["dump", str(self._job), "--label", self._demo.label, "--marking", _MARKING],
            lambda output: dump_at(output, self._job, marked, label=self._demo.label),
        )

    def _inspect(self) -> None:
        self._old_package.write_text(self._demo.old_package_toml)
        self._new_package.write_text(self._demo.new_package_toml)
        self._tell(
            3,
            "Which bytes describe the memory? Nobody documented this board's blocks: they are"
            " found by lengths and checks that hold together. Of the memory records in them the"
            f" board uses one, which strap resistors choose: measured, they read"
            f" {self._demo.straps}. What is known of the old and the new package stands in two"
            " files; of the new one:",
        )
        self._output.say()
        self._output.block(self._demo.new_package_toml)
        original = self._job / "round-1" / "original.bin"
        wanted = Wanted(
            was=self._old_package,
            straps=self._demo.straps,
            fitted=self._new_package,
            edit_file=self._edit_file,
        )
        self._do(
            [
                "inspect", str(original),
                "--was", str(self._old_package), "--straps", self._demo.straps,
                "--fitted", str(self._new_package), "--suggest-edit", str(self._edit_file),
            ],
            lambda output: inspect_at(output, original, wanted),
            at_the_bench=False,
        )  # fmt: skip

    def _edit(self) -> None:
        self._answer_what_no_record_says()
        self._tell(
            4,
            "The edit file says how the block is recognised, how many copies there are, and which"
            f" package was fitted, {self._demo.new_part}. What no memory record can say was looked"
            " at on the board and is answered in it. The bytes are computed, each with its reason;"
            " both copies get them, and their checks are recomputed.",
        )
        self._do(
            ["edit", str(self._job), str(self._edit_file)],
            lambda output: edit_by_file_at(output, self._job, edit_file=self._edit_file),
            at_the_bench=False,
        )

    def _answer_what_no_record_says(self) -> None:
        """As a person would in an editor: the practice board needs nothing of it but the straps."""
        text = self._edit_file.read_text().replace('"don\'t know"', '"not needed"')
        about = f"{self._demo.board}: {self._demo.new_part} for {self._demo.old_part}"
        text = text.replace('straps = "not needed"', 'straps = "done"')
        text = text.replace('about = ""', f'about = "{about}"')
        text = text.replace("# packages_on_board = 2 ", "packages_on_board = 2 ")
        self._edit_file.write_text(text)

    def _write(self) -> None:
        self._tell(
            5,
            "Write it. The chip must still hold what was dumped; what will change is shown; then"
            " units are erased, found blank, programmed and read back one by one, and at the end"
            " everything is read again. (--label is the end of what stands on the bag, --yes the"
            " answer to what is asked then.)",
        )
        self._do(
            ["write", str(self._job), "--label", self._bag, "--yes"],
            lambda output: write_at(output, self._job, self._options, label=self._bag, yes=True),
        )
        self._tell(6, "What does the chip hold now? This only reads.")
        self._do(
            ["verify", str(self._job)],
            lambda output: verify_at(output, self._job, self._options),
        )

    def _have_an_accident(self) -> None:
        from flashbench.rehearsal import arm, open_bench
        from flashbench.rehearsal.faults import LosePower

        with open_bench(self._bench) as bench:
            at_operation = bench.chip.operation_number + _PAGES_BEFORE_THE_ACCIDENT
        arm(self._bench, [LosePower(at_operation=at_operation)])
        self._tell(
            7,
            "An accident. Say the customer wants the old memory back, and the power fails while"
            " the original is being written: the unit is erased, a page half programmed.",
        )
        self._do(
            ["restore", str(self._job), "--label", self._bag, "--yes"],
            lambda output: restore_at(output, self._job, self._options, label=self._bag, yes=True),
            ends_with=_HALF_WRITTEN,
        )
        arm(self._bench, [])

    def _recover(self) -> None:
        self._tell(8, "The power is back. One command says where the job stands.")
        self._do(
            ["next", str(self._job)],
            lambda output: next_at(output, self._job),
            at_the_bench=False,
        )
        self._tell(
            9,
            "Now the customer wants the new memory after all: finish leads on to the new image"
            " instead (restore would go on back to the original, as begun). What is found is"
            " kept, explained page by page, and the unit that was under way is erased again.",
        )
        self._do(
            ["finish", str(self._job), "--yes"],
            lambda output: finish_at(output, self._job, self._options, yes=True),
        )

    def _report(self) -> None:
        self._tell(10, "A page for the customer and one for the shelf, out of the job's folder.")
        self._do(
            ["report", str(self._job)],
            lambda output: report_at(output, self._job),
            at_the_bench=False,
        )

    def _say_what_next(self) -> None:
        output = self._output
        output.say()
        output.say("Done. The copies prove themselves, with a tool that is not ours:")
        round_1 = quoted(self._job / "round-1")
        output.block(f"  (cd {round_1} && sha256sum -c *.sha256)")
        output.say("Go on by hand; the bench keeps its chip:")
        for words in (["verify"], ["restore"], ["write"]):
            output.block(self._typed([*words, str(self._job)], at_the_bench=True))
        output.say(
            "Onto a fresh chip instead: write the word spare into"
            f" {self._bench / 'socket'}, and add --to-new-chip to write."
        )
        output.say(f"{output.label}: practice is over. Nothing real was touched.")

    def _tell(self, number: int, text: str) -> None:
        self._output.say()
        self._output.say(f"{number}. {text}")

    def _do(
        self, words: list[str], body: Body, *, at_the_bench: bool = True, ends_with: int = 0
    ) -> None:
        """Show a command and do what it does; `ends_with` is the status it must end with."""
        typed = self._typed(words, at_the_bench=at_the_bench)
        self._output.say()
        self._output.block(typed)
        self._output.say()
        status = 0
        try:
            with command(json=self._output.json, nested=True) as nested:
                body(nested)
        except typer.Exit as ended:
            status = ended.exit_code
        one_line = " ".join(typed.replace("\\\n", " ").split()).removeprefix("$ ")
        self._steps.append({"command": one_line, "exit_status": status, "result": nested.facts})
        if status != ends_with:
            self._output.status = status or 1

    def _typed(self, words: list[str], *, at_the_bench: bool) -> str:
        """The command line as a person would type it, broken where it is too long."""
        groups = ["flashbench " + words[0]]
        for word in words[1:]:
            value = quoted(word)
            joins = groups[-1].startswith("--") and " " not in groups[-1]
            if word.startswith("--") or not joins:
                groups.append(value)
            else:
                groups[-1] += " " + value
        if at_the_bench:
            groups += [f"--adapter {quoted(str(self._options.adapter))}", "--supply 3.3"]
        lines = ["$ " + groups[0]]
        for group in groups[1:]:
            if len(lines[-1]) + len(group) + 3 <= COLUMNS:
                lines[-1] += " " + group
            else:
                lines.append("    " + group)
        return " \\\n".join(lines)
