"""The command line. Each command parses its arguments, calls one function and prints; heavy imports stay inside."""

from __future__ import annotations

import io
import json
import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchlab import __version__
from benchlab.errors import BenchlabError

# Before numpy is loaded: the matrices here are small, threads only hinder each other, and the number of cores must not
# change the last bits of a result.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

if TYPE_CHECKING:
    from benchlab.pace import Progress
    from benchlab.run import Outcome

app = typer.Typer(
    name="benchlab",
    help="Bench test evidence for model aircraft: raw logs in, decisions and one report per airframe out.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

plan_app = typer.Typer(no_args_is_help=True, help="Say how long to hold a tank, how many cycles to run a servo.")
app.add_typer(plan_app, name="plan")

ProbabilityOption = Annotated[
    float, typer.Option("--probability", min=0.5, max=0.999, help="Wanted probability that a sound part is accepted.")
]
OutOption = Annotated[Path, typer.Option("--out", help="Folder that gets one sub-folder per airframe.")]
QuietOption = Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print results.json instead of the summary.")]
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
) -> None:
    """Do the whole job for airframe folders.

    Read, check, fit, judge, match, report.

    Exit status: 0 all accepted, 1 something is to be retested or rejected, 2 the input or the usage is wrong.
    """
    status = 0
    seen: dict[str, Path] = {}
    with _errors():
        from benchlab.run import run_airframe

        for folder in folders:
            try:
                with _progress(quiet or as_json) as progress:
                    outcome = run_airframe(folder, out, allow_outside=allow_outside, earlier=earlier, progress=progress)
            except BenchlabError as error:
                _complain(error)
                status = 2
                continue
            name = outcome.result.airframe
            if name in seen:
                _say_error(f"{folder}: airframe {name} was already written from {seen[name]}; give each its own id")
                status = 2
            seen[name] = folder
            _show(outcome, quiet, as_json)
            status = max(status, outcome.exit_status)
    raise typer.Exit(status)


@app.command()
def read(
    log: Annotated[Path, typer.Argument(metavar="LOG", help="The log file, compressed or not.")],
    write: Annotated[Path | None, typer.Option("--write", help="Save the canonical table as Parquet here.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print what was understood as JSON.")] = False,
) -> None:
    """Show how a log is understood.

    Dialect, channels and units, clock, rejected rows, first rows.
    """
    with _errors():
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
    with _errors():
        from benchlab.airframe import load_airframe
        from benchlab.export import write_text
        from benchlab.matching.text import matching_text
        from benchlab.matching.trimming import trim_csv
        from benchlab.run import evaluate

        with _progress(quiet) as progress:
            done = evaluate(load_airframe(folder, allow_outside=allow_outside), progress)
        for fault in done.faults:
            _say_error(fault)
        trim = done.matching.tables.get("trim")
        if csv is not None and trim is None:
            raise BenchlabError("there is no trim table: no ganged group could be trimmed", do="see the reasons above")
        if not quiet:
            print(matching_text(done.matching))
        if csv is not None and trim is not None:
            write_text(csv, trim_csv(trim))
    good = all(g.verdict == "accept" for g in done.matching.groups)
    raise typer.Exit(2 if done.faults else 0 if good else 1)


@plan_app.command("tank")
def plan_tank(
    volume_ml: Annotated[float, typer.Option("--volume-ml", min=1, help="Volume of the tank.")],
    start_kpa: Annotated[float, typer.Option("--start-kpa", min=0.1, help="Gauge pressure at sealing.")],
    resolution_kpa: Annotated[float, typer.Option("--resolution-kpa", min=1e-6, help="Step of the gauge.")] = 0.01,
    noise_kpa: Annotated[float, typer.Option("--noise-kpa", min=0, help="Scatter of a single reading.")] = 0.0,
    every_s: Annotated[float, typer.Option("--every-s", min=0.1, help="Seconds from reading to reading.")] = 10.0,
    temperature: Annotated[bool, typer.Option("--temperature", help="A thermometer is logged as well.")] = False,
    barometer: Annotated[bool, typer.Option("--barometer", help="A barometer is logged as well.")] = False,
    required_h: Annotated[float | None, typer.Option("--required-h", min=0.1, help="Hours it must hold.")] = None,
    limit: Annotated[
        float | None, typer.Option("--limit", min=0.01, max=0.999, help="Least share to be retained after them.")
    ] = None,
    expected: Annotated[
        float | None, typer.Option("--expected", min=0.01, max=0.999, help="Share a sound tank retains after them.")
    ] = None,
    probability: ProbabilityOption = 0.9,
    quiet: QuietOption = False,
) -> None:
    """Say how long a tank must be held.

    The shortest hold after which a sound tank is accepted with the wanted probability, and what a better gauge, a
    thermometer or a barometer would save.
    """
    with _errors():
        from benchlab.procedure import load_procedures
        from benchlab.tank.plan import Bench, plan_hold, plan_text

        bench = Bench(
            volume_ml=volume_ml, start_pressure_kpa=start_kpa, resolution_kpa=resolution_kpa, noise_kpa=noise_kpa,
            sampling_s=every_s, temperature=temperature, barometer=barometer,
        )  # fmt: skip
        with _progress(quiet) as progress:
            try:
                plan = plan_hold(
                    bench, load_procedures().tank, limit=limit, required_h=required_h, expected=expected,
                    probability=probability, progress=progress,
                )  # fmt: skip
            except ValueError as error:
                raise BenchlabError(str(error), do="correct the option") from None
        print(plan_text(plan))


@plan_app.command("servo")
def plan_servo(
    log: Annotated[
        Path | None, typer.Argument(metavar="[LOG]", help="Pilot log of the servo or one of its kind.")
    ] = None,
    channel: Annotated[str | None, typer.Option("--channel", help="Which servo of the log.")] = None,
    sd: Annotated[
        float | None, typer.Option("--sd", min=0, help="Or: standard deviation of one cycle's value.")
    ] = None,
    limit: Annotated[
        float | None, typer.Option("--limit", min=0, help="Largest drift per 1000 cycles, in the same unit.")
    ] = None,
    rho: Annotated[float, typer.Option("--rho", min=-0.95, max=0.95, help="Correlation from cycle to cycle.")] = 0.0,
    tau: Annotated[float | None, typer.Option("--tau", min=1, help="Time constant of the run-in in cycles.")] = None,
    amplitude: Annotated[float, typer.Option("--amplitude", help="Size of the run-in, in the same unit.")] = 0.0,
    probability: ProbabilityOption = 0.95,
) -> None:
    """Say how many cycles a run-in needs.

    To show that drifts keep their limits and that the run-in is complete: from a pilot log, or from stated noise
    (--sd and --limit).
    """
    with _errors():
        if (log is None) == (sd is None or limit is None):
            raise BenchlabError("plan servo takes either LOG or --sd and --limit", do="see benchlab plan servo --help")
        from benchlab.procedure import Limit, load_procedures
        from benchlab.servo.plan import plan_cycles, plan_from_pilot, plan_text

        procedure = load_procedures().servo
        if log is None:
            plan = plan_cycles(
                sd=sd or 0.0, rho=rho, limit=Limit(lower=-(limit or 0.0), upper=limit), rule=procedure.rule,
                probability=probability, tau_cycles=tau, amplitude=amplitude,
                settled_share=procedure.trends.settled_share,
            )  # fmt: skip
            print(plan_text(plan))
            return
        from benchlab.airframe import Servo
        from benchlab.logs.reader import read_log
        from benchlab.run import tables_of

        name = str(log)
        part = Servo(id="pilot", log=name, channel=channel)
        read = read_log(log, name=name, procedures=load_procedures(), kind="servo_cycling")
        tables, _ = tables_of(part, {name: read})
        print(plan_text(plan_from_pilot(tables, part, procedure, probability)))


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder that holds logs.")],
    quiet: QuietOption = False,
) -> None:
    """Draft an airframe.toml from a folder of logs.

    Every entry is a guess to be corrected. A register that is there is never overwritten.
    """
    with _errors():
        from benchlab.draft import write_draft

        with _progress(quiet) as progress:
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
    with _errors():
        if (folder is None) == (listed is None) or (part is not None and listed is None):
            raise BenchlabError(
                "archive takes either DIR or --list FOLDER [--part ID]", do="see benchlab archive --help"
            )
        if listed is not None:
            from benchlab.evidence.index import list_bags
            from benchlab.evidence.text import index_text

            print(index_text(list_bags(listed), part))
            return
        assert folder is not None
        status = _seal(folder, out, sign, quiet=quiet, allow_outside=allow_outside)
    raise typer.Exit(status)


def _seal(folder: Path, out: Path, sign: Path | None, *, quiet: bool, allow_outside: bool) -> int:
    from benchlab.evidence.package import archive_airframe
    from benchlab.run import run_airframe

    outcomes: list[Outcome] = []
    with _progress(quiet) as progress:

        def run_copy(copy: Path, results: Path) -> Outcome:
            outcomes.append(run_airframe(copy, results, progress=progress))
            return outcomes[-1]

        bag = archive_airframe(folder, out, run=run_copy, sign=sign, allow_outside=allow_outside, progress=progress)
    for fault in outcomes[0].faults:
        _say_error(fault)
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
    with _errors():
        from benchlab.evidence.text import verification_text
        from benchlab.evidence.verify import verify_bag
        from benchlab.run import run_airframe

        for bag in bags:
            with _progress(quiet) as progress:
                verification = verify_bag(bag, allowed_signers, run=run_airframe, progress=progress)
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
    with _errors():
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
    with _errors():
        from benchlab.run import run_airframe
        from benchlab.simulate.demo import lay_out, lay_out_full

        where = folder or Path("benchlab_demo_full" if full else "benchlab_demo")
        with _progress(quiet or as_json) as progress:
            progress("laying out the demonstration airframe")
            (lay_out_full if full else lay_out)(where)
            outcome = run_airframe(where, out, progress=progress)
        _show(outcome, quiet, as_json)
    # the demonstration has planted faults: that they are found is success
    raise typer.Exit(2 if outcome.faults else 0)


# --- output -----------------------------------------------------------------------------------------------------------


def _show(outcome: Outcome, quiet: bool, as_json: bool) -> None:
    from benchlab.results import dumps
    from benchlab.summary import summary_text

    for fault in outcome.faults:
        _say_error(fault)
    if as_json:
        sys.stdout.write(dumps(outcome.result))
    elif not quiet:
        print(summary_text(outcome.result, outcome.folder / "report.html"))
        if outcome.compared is not None:
            from benchlab.matching.retest import earlier_text

            print(earlier_text(outcome.compared))


def _say_error(message: str) -> None:
    print(f"benchlab: {message}", file=sys.stderr)


def _complain(error: BenchlabError) -> None:
    for line in str(error).splitlines():
        _say_error(line)


@contextmanager
def _errors() -> Iterator[None]:
    """Turn an error of the input into its lines and exit status 2, and Ctrl-C into one line."""
    try:
        yield
    except BenchlabError as error:
        _complain(error)
        raise typer.Exit(2) from None
    except KeyboardInterrupt:
        _say_error("stopped; nothing half-written was left behind")
        raise typer.Exit(130) from None


@contextmanager
def _progress(silent: bool) -> Iterator[Progress]:
    """Give a function that tells what is being done: a moving line on a terminal, nothing when piped."""
    from benchlab import pace

    if silent or not sys.stderr.isatty():
        yield pace.silent
        return
    import time

    from rich.console import Console
    from rich.live import Live
    from rich.spinner import Spinner
    from rich.text import Text

    begun = time.monotonic()
    spinner = Spinner("dots", "starting", style="green")
    with Live(spinner, console=Console(stderr=True), transient=True, refresh_per_second=12.5) as live:

        def tell(what: str, share: float | None = None) -> None:
            # as plain text: a file's name may look like markup
            spinner.update(text=Text(pace.words(what, share, time.monotonic() - begun)))
            live.refresh()

        yield tell


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal without ± or ≤ shows a question mark, not a traceback
    try:
        app(prog_name="benchlab")
    except BrokenPipeError:
        # the reader of our output (head, less) has gone: not an error of ours
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)
        sys.exit(141)
