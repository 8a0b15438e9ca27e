"""The glossary: every channel and quantity once, with unit, definition, formula and source.

``benchlab explain`` prints it, the report links to it, and a test checks that nothing is reported that is not in it.
"""

from __future__ import annotations

from dataclasses import dataclass

# longest suffix first: "pa_m3_s" must win over "s"
_UNIT_OF_SUFFIX: tuple[tuple[str, str], ...] = (
    ("_s_per_60deg", "s/60 deg"),
    ("_ml_h", "mL/h"),
    ("_bore_um", "um"),
    ("_per_h", "1/h"),
    ("_pa_m3_s", "Pa m3/s"),
    ("_sml_min", "mL/min (0 C, 101.325 kPa)"),
    ("_deg", "deg"),
    ("_kpa", "kPa"),
    ("_mah", "mAh"),
    ("_min", "min"),
    ("_ohm", "ohm"),
    ("_wh", "Wh"),
    ("_us", "us"),
    ("_ml", "mL"),
    ("_mm", "mm"),
    ("_nm", "N m"),
    ("_fraction", "1"),
    ("_a", "A"),
    ("_w", "W"),
    ("_v", "V"),
    ("_c", "C"),
    ("_h", "h"),
    ("_s", "s"),
)


def unit_of(name: str) -> str:
    """Return the unit that a canonical channel or quantity name carries; "1" for a pure number or a label."""
    return next((unit for suffix, unit in _UNIT_OF_SUFFIX if name.endswith(suffix)), "1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """What a number means: ``kind`` is the kind of part it belongs to, ``formula`` in plain text."""

    name: str
    kind: str
    title: str
    definition: str
    formula: str = ""
    source: str = "definition of this project (DESIGN)"

    @property
    def unit(self) -> str:
        """The unit that the name carries."""
        return unit_of(self.name)


def _q(
    kind: str, name: str, title: str, definition: str, formula: str = "", source: str = "own definition"
) -> Quantity:
    return Quantity(name=name, kind=kind, title=title, definition=definition, formula=formula, source=source)


_ALL: tuple[Quantity, ...] = (
    # servo, per cycle
    _q("servo", "cycles", "Cycles", "Complete cycles of the command pattern in the log."),
    _q(
        "servo",
        "centre_deg",
        "Centre",
        "Rest position at the neutral command, mean of the two approach directions.",
        "(rest from above + rest from below) / 2",
    ),
    _q(
        "servo",
        "hysteresis_deg",
        "Hysteresis",
        "Rest at neutral approached from above minus approached from below: backlash and dead band as recorded.",
        "rest from above - rest from below",
    ),
    _q("servo", "end_high_deg", "High end", "Rest position at the high command end."),
    _q("servo", "end_low_deg", "Low end", "Rest position at the low command end."),
    _q("servo", "travel_deg", "Travel", "Distance between the two ends.", "end_high_deg - end_low_deg"),
    _q(
        "servo",
        "transit_s_per_60deg",
        "Transit time",
        "Time per 60 degrees between 10 % and 90 % of a stroke, where the command is faster than the servo.",
        "60 x (t90 - t10) / (0.8 x |stroke|)",
        "time per 60 deg is how makers state speed (common practice, no source)",
    ),
    _q(
        "servo",
        "transit_ref_s_per_60deg",
        "Transit time at nominal supply",
        "Transit time corrected to the nominal supply voltage.",
        "transit x (V / V_nominal)",
    ),
    _q("servo", "overshoot_deg", "Overshoot", "Largest excursion past the rest value that ends a stroke."),
    _q("servo", "jitter_deg", "Jitter", "Rms about the mean while at rest, sensor noise included."),
    _q("servo", "moving_current_a", "Moving current", "Mean current while the servo moves."),
    _q(
        "servo",
        "moving_current_ref_a",
        "Moving current at 25 C",
        "Moving current corrected to 25 C case temperature.",
    ),
    _q("servo", "peak_current_a", "Peak current", "99.9 % quantile of the current in a cycle (circuits: the maximum)."),
    _q("servo", "idle_current_a", "Idle current", "Mean current at rest."),
    _q("servo", "voltage_min_v", "Lowest voltage", "Lowest supply voltage in a cycle or a log."),
    _q("servo", "temperature_c", "Temperature", "Mean case temperature in a cycle."),
    # tank
    _q(
        "tank",
        "leak_rate_pa_m3_s",
        "Leak rate",
        "Throughput of the leak at the start pressure, referred to 20 C.",
        "V p1 / tau_leak x (293.15 K / T)",
        "40 CFR 1065.644 (gas amount from p, V, T); EN 13184 (pressure change method)",
    ),
    _q(
        "tank",
        "leak_rate_sml_min",
        "Leak rate, standard",
        "The same leak in standard millilitres per minute at 0 C and 101.325 kPa.",
    ),
    _q(
        "tank",
        "retained_fraction",
        "Retained fraction",
        "Share of the leak component of the gauge pressure left after the required hold.",
        "exp(-t_required / tau_leak)",
    ),
    _q("tank", "time_constant_h", "Time constant", "Time in which the leak component falls to 37 %.", "tau_leak"),
    _q(
        "tank",
        "start_pressure_kpa",
        "Start pressure",
        "Leak component of the gauge pressure at the sealing moment.",
        "p1",
    ),
    _q("tank", "half_life_h", "Half-life", "Time in which the leak component falls to half.", "tau_leak ln 2"),
    _q(
        "tank",
        "settling_fraction",
        "Settling",
        "What cooling of the gas and creep of the wall take in the end, as a share of the start pressure.",
        "settling / p1",
    ),
    _q("tank", "volume_ml", "Volume", "Volume of the tank as the register states it."),
    _q(
        "tank",
        "liquid_weep_ml_h",
        "Liquid weep, at most",
        "Upper bound of the liquid that the same laminar path would pass at the same pressure; surface tension often "
        "stops it. Indicative, never judged.",
        "2 q mu_gas / (mu_liquid (p_abs + p_atm))",
        "Poiseuille flow of a gas and of a liquid through one path",
    ),
    _q(
        "tank",
        "equivalent_bore_um",
        "Equivalent bore",
        "Bore of one straight round path of 10 mm that would leak as much. Indicative, never judged.",
        "(256 mu_gas L q / (pi (p_abs^2 - p_atm^2)))^(1/4)",
        "Poiseuille flow of a gas",
    ),
    _q("tank", "hold_h", "Hold", "Time from sealing to the end of the usable hold."),
    # circuit
    _q("circuit", "mean_current_a", "Mean current", "Time average of the current."),
    _q("circuit", "rms_current_a", "Rms current", "Root of the time average of the squared current."),
    _q("circuit", "p95_current_a", "95 % current", "Current not exceeded during 95 % of the time."),
    _q("circuit", "p99_current_a", "99 % current", "Current not exceeded during 99 % of the time."),
    _q("circuit", "p999_current_a", "99.9 % current", "Current not exceeded during 99.9 % of the time."),
    _q("circuit", "charge_mah", "Charge", "Time integral of the current.", "integral of I dt"),
    _q("circuit", "energy_wh", "Energy", "Time integral of current times voltage.", "integral of U I dt"),
    _q(
        "circuit",
        "source_resistance_ohm",
        "Source resistance",
        "Prompt (ohmic) fall of voltage per ampere, from sample to sample.",
        "-dU/dI",
    ),
    _q("circuit", "charged_mah", "Charge in", "Charge that flowed into the pack (negative current)."),
    _q("circuit", "discharged_mah", "Charge out", "Charge that flowed out of the pack (positive current)."),
    _q("circuit", "voltage_mean_v", "Mean voltage", "Time average of the supply voltage."),
    _q(
        "circuit", "longest_above_s", "Longest time above", "Longest time in one go with the current above a threshold."
    ),
    _q("circuit", "time_above_s", "Time above", "Time in all with the current above a threshold."),
    _q(
        "circuit",
        "gap_charge_mah",
        "Charge in gaps",
        "What the gaps of the log took if the load went on as in the rest; counted aside, not part of the charge.",
        "mean current x length of the gaps",
    ),
    _q("circuit", "inrush_current_a", "Inrush", "Highest current within half a second of switching on."),
    _q(
        "circuit",
        "polarisation_resistance_ohm",
        "Slow resistance",
        "Further fall of voltage per ampere that builds up with a time constant.",
    ),
    _q("circuit", "polarisation_s", "Polarisation time", "Time constant of the slow fall of voltage."),
    _q(
        "circuit",
        "wire_resistance_ohm",
        "Wire resistance",
        "Lead and return of the circuit's copper wire at the set temperature.",
        "2 L / (58e6 S/m x area) x (1 + 0.00393 (T - 20 C))",
        "IEC 60028 (copper), ASTM B258 (diameter by gauge)",
    ),
    _q("circuit", "wire_drop_rms_v", "Wire drop, rms", "Voltage lost in the wire at rms current."),
    _q("circuit", "wire_drop_peak_v", "Wire drop, peak", "Voltage lost in the wire at peak current."),
    _q("circuit", "wire_heat_rms_w", "Wire heating, rms", "Heat in the wire at rms current.", "R I^2"),
    _q("circuit", "wire_heat_peak_w", "Wire heating, peak", "Heat in the wire at peak current.", "R I^2"),
    _q("circuit", "regulator_loss_w", "Regulator loss", "Mean heat in a linear regulator.", "(U_in - U_out) I"),
    _q("circuit", "regulator_loss_peak_w", "Regulator loss, peak", "Heat in a linear regulator at peak current."),
    # pack
    _q("pack", "capacity_mah", "Capacity", "Charge that the pack holds: measured by its own log, else as stated."),
    _q("pack", "discharge_rate_per_h", "Discharge rate", "Peak current as a multiple of the capacity per hour."),
    _q("pack", "mean_discharge_rate_per_h", "Mean discharge rate", "Mean flight current per capacity and hour."),
    _q("pack", "pack_peak_current_a", "Peak of the pack", "Sum of the peaks of its circuits: all at once at worst."),
    _q("pack", "flight_charge_mah", "Charge per flight", "Charge that one flight takes from the pack."),
    _q(
        "pack",
        "reserve_fraction",
        "Reserve",
        "Usable capacity left after one flight.",
        "1 - flight_charge / (capacity x usable_fraction)",
    ),
    _q("pack", "endurance_min", "Endurance", "Flight time until the usable capacity is spent."),
    _q(
        "pack",
        "voltage_under_load_v",
        "Voltage under load",
        "Voltage at one capacity per hour after a quarter of the capacity is drawn: for comparing twins.",
        "U_oc(C / 4) - (R_prompt + R_slow) C / 1 h",
    ),
    _q("pack", "voltage_end_v", "Voltage at the end", "Worst-case voltage at peak load at the end of the flight."),
    # group
    _q(
        "group",
        "stroke_mismatch_deg",
        "Stroke mismatch",
        "Largest difference of position of two ganged servos at the same command, over their common stroke and in both "
        "directions, with the follower trimmed; the worse of either leading.",
        "max |position of the follower - position of the leader|",
    ),
    _q(
        "group",
        "mismatch",
        "Mismatch",
        "Largest difference of two parts over what their coupling compares, as a share of the tolerance; of a group "
        "the largest over its pairs.",
        "max |difference| / tolerance",
    ),
    _q("group", "match", "Match", "Stands for the whole comparison of two parts where nothing was measured on both."),
    _q("group", "part", "Part in place", "Stands for a position itself: it is empty, or its part is rejected."),
    _q(
        "group",
        "correction_us",
        "Trim correction",
        "What is added to the follower's command at a command point so that it moves with its leader.",
    ),
    _q(
        "group",
        "left_over_deg",
        "Left over",
        "Difference of position that trim leaves at a command point: hysteresis, and what lies beyond an end stop.",
    ),
    _q(
        "group",
        "fighting_load_nm",
        "Fighting load",
        "Torque with which two equal servos on one rigid surface hold against each other.",
        "stiffness x mismatch / 2",
        "two equal springs in series take half the mismatch each",
    ),
    # dimension
    _q(
        "dimension", "difference", "Left-right difference", "Left minus right of one bench measurement.", "left - right"
    ),
    # words of findings that are no number
    _q("servo", "run_in", "Run-in", "Whether what settles in a servo has settled, by 95 % of its way."),
    _q("log", "log", "Log", "Stands for a part's log as a whole: it could not be read."),
    # events
    _q("event", "step", "Step", "A quantity jumps from one cycle to the next and stays there."),
    _q("event", "outlier", "Outlying cycle", "A cycle far off the fitted curve: shown, left out of the fit, kept."),
    _q("event", "stall", "Stall", "A stroke that did not arrive while the current stayed high."),
    _q("event", "short_stroke", "Stroke fell short", "A stroke that ended clearly before its usual end."),
    _q("event", "tooth", "Current spike at one angle", "Current that rises at one angle, stroke after stroke."),
    _q("event", "binding", "Current rises towards an end", "Moving current that rises towards an end of travel."),
    _q("event", "supply_dip", "Supply dip", "The supply fell far below its usual value: the bench or the servo."),
    _q("event", "gap", "Gap in the log", "A time without readings, much longer than the sampling interval."),
    _q("event", "clock_restart", "Clock started again", "The logger's clock fell back: it was started again."),
    _q("event", "disturbance", "Disturbance of the hold", "The pressure jumped: a fitting was touched or opened."),
    _q("event", "overpressure", "Over the tank's stated pressure", "Readings above the tank's stated limit."),
    _q("event", "clipping", "Reading at the end of its range", "Readings that stick at the sensor's end of range."),
    _q("event", "counter_wrap", "Clock counter wrapped round", "A 32-bit time counter started again at zero."),
    _q("event", "duplicate_time", "Time stamp twice", "Two rows with one time stamp."),
    _q("event", "out_of_order", "Time stamp out of order", "A row whose time lies before the row above it."),
    _q("event", "offset_change", "Clock offset changed", "Local time jumped by a change of its offset."),
    # channels
    _q("channel", "time_s", "Time", "Time of a reading, from the log's first row."),
    _q("channel", "command_us", "Command", "Width of the command pulse."),
    _q("channel", "cycle", "Cycle", "Number of the cycle as the log counts it."),
    _q("channel", "position_deg", "Position", "Angle of the output shaft."),
    _q("channel", "current_a", "Current", "Current drawn, positive out of the supply."),
    _q("channel", "voltage_v", "Voltage", "Voltage at the logger."),
    _q("channel", "pressure_kpa", "Gauge pressure", "Pressure over the atmosphere."),
    _q("channel", "pressure_abs_kpa", "Absolute pressure", "Pressure over vacuum."),
    _q("channel", "barometer_kpa", "Barometer", "Pressure of the atmosphere beside the tank."),
    _q("channel", "phase", "Phase", "Name of the phase of flight or test that a row belongs to."),
    _q("channel", "circuit", "Circuit", "Name of the circuit that a row belongs to."),
    _q("channel", "servo", "Servo", "Number or name of the servo that a row belongs to."),
    _q("channel", "tank", "Tank", "Number or name of the tank that a row belongs to."),
    _q("channel", "item", "Item", "Name of a bench measurement that is taken left and right."),
    _q("channel", "side", "Side", "Left or right."),
    _q("channel", "value", "Value", "The reading of a bench measurement."),
    _q("channel", "unit", "Unit", "Unit of a bench measurement."),
    _q("channel", "tolerance", "Tolerance", "Largest difference of left and right that is allowed."),
    _q("channel", "instrument_u", "Uncertainty of the instrument", "Standard uncertainty of one reading."),
)

QUANTITIES: dict[str, Quantity] = {q.name: q for q in _ALL}
