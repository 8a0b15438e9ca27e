"""The command line. Each command parses its arguments, calls one function and prints; heavy imports stay inside."""

from __future__ import annotations

import functools
import gc
import io
import json
import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchlab import __version__, cli_plan
from benchlab.errors import BenchlabError
from benchlab.interrupts import held
from benchlab.terminal import complain, errors, progress_on_terminal, say_error

# Before numpy is loaded: the matrices here are small, threads only hinder each other, and the number of cores must not
# change the last bits of a result.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

if TYPE_CHECKING:
    from benchlab.checksums import Ahead
    from benchlab.run import Outcome

app = typer.Typer(
    name="benchlab",
    help="Bench test evidence for model aircraft: raw logs in, decisions and one report per airframe out.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

app.add_typer(cli_plan.app, name="plan")

OutOption = Annotated[Path, typer.Option("--out", help="Folder that gets one sub-folder per airframe.")]
QuietOption = Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print results.json instead of the summary.")]
JobsOption = Annotated[
    int | None, typer.Option("--jobs", min=1, help="Logs taken at once; all processors if not given.")
]
OutsideOption = Annotated[
    bool, typer.Option("--allow-outside", help="Let the register name logs outside the airframe's folder.")
]


@app.callback(invoke_without_command=True)
def _root(version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False) -> None:
    if version:
        print(f"benchlab {__version__}")
        raise typer.Exit


@app.command()
def run(
    folders: Annotated[list[Path], typer.Argument(metavar="DIR...", help="Folders that hold an airframe.toml.")],
    out: OutOption = Path("reports"),
    quiet: QuietOption = False,
    as_json: JsonOption = False,
    allow_outside: OutsideOption = False,
    earlier: Annotated[
        Path | None, typer.Option("--earlier", metavar="PATH", help="Compare with this archive or results.json.")
    ] = None,
    jobs: JobsOption = None,
) -> None:
    """Do the whole job for airframe folders.

    Read, check, fit, judge, match, report.

    Exit status: 0 all accepted, 1 something is to be retested or rejected, 2 the input or the usage is wrong.
    """
    status = 0
    seen: dict[str, Path] = {}
    with errors():
        with held():
            ahead = _checksums_ahead(folders[0], allow_outside)
            from benchlab.cache import default_folder
            from benchlab.run import run_airframe
            from benchlab.workers import usable_cores

        ahead.end()  # before workers are forked
        for folder in folders:
            try:
                with progress_on_terminal(quiet or as_json) as progress:
                    outcome = run_airframe(
                        folder, out, allow_outside=allow_outside, earlier=earlier, progress=progress,
                        jobs=jobs or usable_cores(), kept=default_folder(),
                    )  # fmt: skip
            except BenchlabError as error:
                complain(error)
                status = 2
                continue
            name = outcome.result.airframe
            if name in seen:
                say_error(f"{folder}: airframe {name} was already written from {seen[name]}; give each its own id")
                status = 2
            seen[name] = folder
            _show(outcome, quiet, as_json)
            status = max(status, outcome.exit_status)
    raise typer.Exit(status)


def _checksums_ahead(folder: Path, allow_outside: bool) -> Ahead:
    """Begin with the checksums of an airframe's logs: loading the rest of the program keeps one processor busy."""
    from benchlab.airframe import load_airframe
    from benchlab.checksums import Ahead

    try:
        paths = [path for path, _ in load_airframe(folder, allow_outside=allow_outside).log_paths().values()]
    except BenchlabError:  # told when it is loaded in earnest
        paths = []
    return Ahead(paths)


@app.command()
def read(
    log: Annotated[Path, typer.Argument(metavar="LOG", help="The log file, compressed or not.")],
    write: Annotated[Path | None, typer.Option("--write", help="Save the canonical table as Parquet here.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print what was understood as JSON.")] = False,
) -> None:
    """Show how a log is understood.

    Dialect, channels and units, clock, rejected rows, first rows.
    """
    with errors():
        with held():
            from benchlab.logs.describe import as_json as described
            from benchlab.logs.describe import write_parquet
            from benchlab.logs.reader import read_log
            from benchlab.logs.screen import as_text
            from benchlab.procedure import load_procedures

        understood = read_log(log, name=str(log), procedures=load_procedures())
        if write:
            write_parquet(understood, write)
        print(json.dumps(described(understood), indent=1, ensure_ascii=False) if as_json else as_text(understood))


@app.command()
def match(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder that holds an airframe.toml.")],
    csv: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Write the trim tables as CSV.")] = None,
    quiet: QuietOption = False,
    allow_outside: OutsideOption = False,
) -> None:
    """Propose who goes where and what to trim.

    Shows what the placement costs, how every group matches, and the trim tables; writes nothing else.

    Exit status: 0 every group is accepted as fitted, 1 not, 2 the input or the usage is wrong.
    """
    with errors():
        with held():
            from benchlab.airframe import load_airframe
            from benchlab.cache import default_folder
            from benchlab.export import write_text
            from benchlab.matching.text import matching_text
            from benchlab.matching.trimming import trim_csv
            from benchlab.run import evaluate
            from benchlab.workers import usable_cores

        airframe = load_airframe(folder, allow_outside=allow_outside)
        with progress_on_terminal(quiet) as progress:
            done = evaluate(airframe, progress, jobs=usable_cores(), kept=default_folder())
        for fault in done.faults:
            say_error(fault)
        trim = done.matching.tables.get("trim")
        if csv is not None and trim is None:
            raise BenchlabError("there is no trim table: no ganged group could be trimmed", do="see the reasons above")
        if not quiet:
            print(matching_text(done.matching))
        if csv is not None and trim is not None:
            write_text(csv, trim_csv(trim))
    good = all(g.verdict == "accept" for g in done.matching.groups)
    raise typer.Exit(2 if done.faults else 0 if good else 1)


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder that holds logs.")],
    quiet: QuietOption = False,
) -> None:
    """Draft an airframe.toml from a folder of logs.

    Every entry is a guess to be corrected. A register that is there is never overwritten.
    """
    with errors():
        with held():
            from benchlab.draft import write_draft

        with progress_on_terminal(quiet) as progress:
            drafted = write_draft(folder, progress)
        if not quiet:
            found = ", ".join(f"{n} {word}{'' if n == 1 else 's'}" for word, n in drafted.parts.items()) or "no parts"
            print(f"{folder / 'airframe.toml'}: {found} drafted; correct it, then: benchlab run {folder}")
            for name in drafted.unclear:
                print(f"  {name}: not assigned to a part, see the end of the file")


@app.command()
def archive(
    folder: Annotated[Path | None, typer.Argument(metavar="[DIR]", help="Folder that holds an airframe.toml.")] = None,
    out: Annotated[Path, typer.Option("--out", help="Folder that gets the archive.")] = Path("archives"),
    sign: Annotated[Path | None, typer.Option("--sign", metavar="KEY", help="Sign with this OpenSSH key.")] = None,
    listed: Annotated[
        Path | None, typer.Option("--list", metavar="FOLDER", help="List the archives in a folder instead.")
    ] = None,
    part: Annotated[
        str | None, typer.Option("--part", metavar="ID", help="With --list: only where it was tested.")
    ] = None,
    quiet: QuietOption = False,
    allow_outside: OutsideOption = False,
) -> None:
    """Seal the evidence of an airframe.

    Runs it on a copy of its inputs, then bags inputs, procedures, results and report.

    Exit status: 0 sealed (whatever the verdict), 2 the input or the usage is wrong.
    """
    with errors():
        if (folder is None) == (listed is None) or (part is not None and listed is None):
            raise BenchlabError(
                "archive takes either DIR or --list FOLDER [--part ID]", do="see benchlab archive --help"
            )
        if listed is not None:
            with held():
                from benchlab.evidence.index import list_bags
                from benchlab.evidence.text import index_text

            print(index_text(list_bags(listed), part))
            return
        assert folder is not None
        status = _seal(folder, out, sign, quiet=quiet, allow_outside=allow_outside)
    raise typer.Exit(status)


def _seal(folder: Path, out: Path, sign: Path | None, *, quiet: bool, allow_outside: bool) -> int:
    with held():
        from benchlab.evidence.package import archive_airframe
        from benchlab.run import run_airframe
        from benchlab.workers import usable_cores

    outcomes: list[Outcome] = []
    with progress_on_terminal(quiet) as progress:

        def run_copy(copy: Path, results: Path) -> Outcome:
            outcomes.append(run_airframe(copy, results, progress=progress, jobs=usable_cores()))
            return outcomes[-1]

        bag = archive_airframe(folder, out, run=run_copy, sign=sign, allow_outside=allow_outside, progress=progress)
    for fault in outcomes[0].faults:
        say_error(fault)
    if not quiet:
        print(f"{bag}: sealed{' and signed' if sign else ''}, verdict {outcomes[0].result.verdict}")
        print(f"check it at any time with: benchlab verify {bag}")
    return 2 if outcomes[0].faults else 0


@app.command()
def verify(
    bags: Annotated[list[Path], typer.Argument(metavar="BAG...", help="Sealed archives: the folders.")],
    allowed_signers: Annotated[
        Path | None, typer.Option("--allowed-signers", metavar="FILE", help="Who may have signed (OpenSSH format).")
    ] = None,
    quiet: QuietOption = False,
) -> None:
    """Check a sealed archive and recompute it.

    Every file, the signature, and whether the results follow from the logs.

    Exit status: 0 as sealed and reproduced, 1 as sealed but the results differ, 2 not as sealed.
    """
    status = 0
    with errors():
        with held():
            from benchlab.evidence.text import verification_text
            from benchlab.evidence.verify import verify_bag
            from benchlab.run import run_airframe
            from benchlab.workers import usable_cores

        anew = functools.partial(run_airframe, jobs=usable_cores())
        for bag in bags:
            with progress_on_terminal(quiet) as progress:
                verification = verify_bag(bag, allowed_signers, run=anew, progress=progress)
            if not quiet or verification.exit_status:
                print(verification_text(verification))
            status = max(status, verification.exit_status)
    raise typer.Exit(status)


@app.command()
def explain(
    quantity: Annotated[str | None, typer.Argument(metavar="[QUANTITY]", help="Its name, unit or not.")] = None,
) -> None:
    """Explain a quantity.

    Definition, formula, source, unit and shipped limits. Without a name, all are listed.
    """
    with errors():
        with held():
            from benchlab.explain import explain as explained
            from benchlab.explain import listed
            from benchlab.procedure import load_procedures

        print(listed() if quantity is None else explained(quantity, load_procedures()))


@app.command()
def demo(
    folder: Annotated[Path | None, typer.Argument(metavar="[DIR]", help="Where the demonstration is laid out.")] = None,
    full: Annotated[bool, typer.Option("--full", help="Generate the full-size one: 8 servos x 990 cycles.")] = False,
    out: OutOption = Path("reports"),
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> None:
    """Lay out the demonstration and run it.

    An invented airframe with planted faults.
    """
    with errors():
        with held():
            from benchlab.run import run_airframe
            from benchlab.simulate.demo import lay_out, lay_out_full
            from benchlab.workers import usable_cores

        where = folder or Path("benchlab_demo_full" if full else "benchlab_demo")
        with progress_on_terminal(quiet or as_json) as progress:
            progress("laying out the demonstration airframe")
            (lay_out_full if full else lay_out)(where)
            outcome = run_airframe(where, out, progress=progress, jobs=usable_cores())
        _show(outcome, quiet, as_json)
    # the demonstration has planted faults: that they are found is success
    raise typer.Exit(2 if outcome.faults else 0)


# --- output -----------------------------------------------------------------------------------------------------------


def _show(outcome: Outcome, quiet: bool, as_json: bool) -> None:
    from benchlab.results import dumps
    from benchlab.summary import summary_text

    for fault in outcome.faults:
        say_error(fault)
    if as_json:
        sys.stdout.write(dumps(outcome.result))
    elif not quiet:
        print(summary_text(outcome.result, outcome.folder / "report.html"))
        if outcome.compared is not None:
            from benchlab.matching.retest import earlier_text

            print(earlier_text(outcome.compared))


def main() -> None:
    """Run the command line."""
    # nearly all objects that a run makes live to its end: looking through them for cycles after every 700 new ones, as
    # is usual, would take a twentieth of it
    gc.set_threshold(500_000)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal without ± or ≤ shows a question mark, not a traceback
    try:
        app(prog_name="benchlab")
    except BrokenPipeError:
        # the reader of our output (head, less) has gone: not an error of ours
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)
        sys.exit(141)
    finally:
        gc.freeze()  # nor at the end, where that would take as long as a small airframe's report
