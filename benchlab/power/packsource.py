"""A pack as a source: its resistance and what that is made of, its open-circuit curve, its voltage under load."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from benchlab.airframe import Circuit, Pack
from benchlab.procedure import CurrentProcedure
from benchlab.results import Analysis, Estimate
from benchlab.stats.uncertainty import combine, estimate, from_resolution, rectangular

_DRAWN = 0.25
"""Share of the capacity after which twins are compared under load: past the first steep fall, reached by most logs."""

Fed = Sequence[tuple[Circuit, Analysis]]


def resistance_of(fed: Fed, own: Analysis | None) -> tuple[Estimate, str | None] | str:
    """Source resistance of the pack and what to say of it: by its own log, else by a circuit that it feeds alone."""
    found = own.result.quantities.get("source_resistance_ohm") if own is not None else None
    if isinstance(found, Estimate):
        return found, None
    if (analysis := _fed_alone(fed)) is not None:
        found = analysis.result.quantities.get("source_resistance_ohm")
        if isinstance(found, Estimate):
            return found, f'source_resistance_ohm is that of circuit "{fed[0][0].id}", wire and connectors included.'
    if own is not None:
        return next((m.why for m in own.result.not_measured if m.quantity == "source_resistance_ohm"), "not shown")
    return "no log of its own, and no circuit that it feeds alone shows it"


def _fed_alone(fed: Fed) -> Analysis | None:
    """Return the analysis of the one circuit that the pack feeds, if no other pack feeds it."""
    return fed[0][1] if len(fed) == 1 and len(fed[0][0].pack_shares) == 1 else None


def parts_of_resistance(
    pack: Pack, fed: Fed, own: Analysis | None, found: Estimate | None
) -> tuple[pd.DataFrame | None, str | None]:
    """How the source resistance is made up: pack as its maker states it, wire, connectors, and the rest.

    Returns the table ``resistance_parts`` (part, resistance_ohm, u_ohm, share) and a sentence; None where no part is
    declared.
    """
    if found is None or not found.value:
        return None, None
    parts = [("pack as stated", pack.resistance_ohm, 0.0)] if pack.resistance_ohm is not None else []
    if own is None or "source_resistance_ohm" not in own.result.quantities:
        circuit, analysis = fed[0]
        wire = analysis.result.quantities.get("wire_resistance_ohm")
        if isinstance(wire, Estimate) and wire.value is not None:
            parts.append(("wire", wire.value, wire.u or 0.0))
        if circuit.connector_ohm is not None:
            parts.append(("connectors", circuit.connector_ohm, 0.0))
    if not parts:
        return None, None
    rest = found.value - sum(ohm for _, ohm, _ in parts)
    parts.append(("not accounted for", rest, combine(found.u or 0.0, *(u for _, _, u in parts))))
    table = pd.DataFrame(
        [(name, ohm, u, ohm / found.value) for name, ohm, u in parts],
        columns=["part", "resistance_ohm", "u_ohm", "share"],
    )
    if pack.resistance_ohm is None:
        return table, None  # the circuit has said it
    said = ", ".join(f"{name} {1e3 * ohm:.3g} mohm" for name, ohm, _ in parts)
    return table, f"Of the source resistance of {1e3 * found.value:.4g} mohm: {said} (u {1e3 * parts[-1][2]:.2g} mohm)."


def open_circuit_table(pack: Pack, fed: Fed, own: Analysis | None) -> pd.DataFrame | None:
    """Table ``open_circuit`` (charge_mah, voltage_v, u_v): voltage without load over the charge this pack gave."""
    curve = own.tables.get("discharge") if own is not None else None
    share = 1.0
    if (curve is None or curve["open_circuit_v"].isna().all()) and len(fed) == 1:
        circuit, analysis = fed[0]
        curve, share = analysis.tables.get("discharge"), circuit.pack_shares[pack.id]
    if curve is None or curve["open_circuit_v"].isna().all():
        return None
    known = curve.dropna(subset=["open_circuit_v"])
    return pd.DataFrame({
        "charge_mah": share * known["charge_mah"].to_numpy(), "voltage_v": known["open_circuit_v"].to_numpy(),
        "u_v": known["open_circuit_u_v"].to_numpy(),
    })  # fmt: skip


def voltage_reading_u(procedure: CurrentProcedure) -> float:
    """Standard uncertainty that all readings of the voltage share, as far as the procedure states it."""
    channel = procedure.channels.get("voltage_v")
    return combine(rectangular(channel.accuracy), from_resolution(channel.resolution)) if channel else 0.0


def voltage_under_load(
    pack: Pack, fed: Fed, own: Analysis | None, curve: pd.DataFrame | None, u_reading_v: float
) -> Estimate | str:
    """Voltage at one capacity per hour after a quarter of the capacity is drawn; or why it cannot be said.

    ``U_oc(C / 4) - (R_prompt + R_slow) C / 1 h``: the same point for twins whatever their own logs drew.
    """
    if pack.capacity_mah is None:
        return "the register states no capacity_mah for this pack"
    shown = own if own is not None and "source_resistance_ohm" in own.result.quantities else _fed_alone(fed)
    if shown is None or curve is None:
        return "neither a log of its own nor one of a circuit that it feeds alone shows its open-circuit voltage"
    found = shown.result.quantities
    prompt, slow = found.get("source_resistance_ohm"), found.get("polarisation_resistance_ohm")
    if not isinstance(prompt, Estimate) or prompt.value is None:
        return "its source resistance is not known"
    drawn, amps = _DRAWN * pack.capacity_mah, pack.capacity_mah / 1e3
    charge = curve["charge_mah"].to_numpy()
    if not charge[0] <= drawn <= charge[-1]:
        return f"its log draws {charge[-1]:.4g} mAh, not a quarter of its capacity ({drawn:.4g} mAh)"
    ohm, u_ohm = prompt.value, prompt.u or 0.0
    if isinstance(slow, Estimate) and slow.value is not None:
        ohm, u_ohm = ohm + slow.value, combine(u_ohm, slow.u or 0.0)
    value = float(np.interp(drawn, charge, curve["voltage_v"].to_numpy())) - ohm * amps
    scatter = float(np.interp(drawn, charge, curve["u_v"].to_numpy()))
    return estimate(value, combine(scatter, u_ohm * amps, u_reading_v), "V")


def cross_check_table(fed: Fed) -> Mapping[str, pd.DataFrame]:
    """Table ``cross_check`` of all servos on the circuits of a pack; no table without any."""
    found = [analysis.tables["cross_check"] for _, analysis in fed if "cross_check" in analysis.tables]
    return {"cross_check": pd.concat(found, ignore_index=True)} if found else {}
