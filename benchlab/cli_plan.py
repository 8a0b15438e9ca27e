"""The commands below ``benchlab plan``: how long to hold a tank, how many cycles to run a servo."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchlab.errors import BenchlabError
from benchlab.interrupts import held
from benchlab.terminal import errors, progress_on_terminal

app = typer.Typer(no_args_is_help=True, help="Say how long to hold a tank, how many cycles to run a servo.")

ProbabilityOption = Annotated[
    float, typer.Option("--probability", min=0.5, max=0.999, help="Wanted probability that a sound part is accepted.")
]
QuietOption = Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")]


@app.command("tank")
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
    with errors():
        with held():
            from benchlab.procedure import load_procedures
            from benchlab.tank.plan import Bench, plan_hold, plan_text

        bench = Bench(
            volume_ml=volume_ml, start_pressure_kpa=start_kpa, resolution_kpa=resolution_kpa, noise_kpa=noise_kpa,
            sampling_s=every_s, temperature=temperature, barometer=barometer,
        )  # fmt: skip
        with progress_on_terminal(quiet) as progress:
            try:
                plan = plan_hold(
                    bench, load_procedures().tank, limit=limit, required_h=required_h, expected=expected,
                    probability=probability, progress=progress,
                )  # fmt: skip
            except ValueError as error:
                raise BenchlabError(str(error), do="correct the option") from None
        print(plan_text(plan))


@app.command("servo")
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
    with errors():
        if (log is None) == (sd is None or limit is None):
            raise BenchlabError("plan servo takes either LOG or --sd and --limit", do="see benchlab plan servo --help")
        with held():
            from benchlab.airframe import Servo
            from benchlab.bundles import records_of
            from benchlab.logs.reader import read_log
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
        name = str(log)
        part = Servo(id="pilot", log=name, channel=channel)
        read = read_log(log, name=name, procedures=load_procedures(), kind="servo_cycling")
        records, _ = records_of(part, {name: read})
        print(plan_text(plan_from_pilot([r.frame() for r in records], part, procedure, probability)))
