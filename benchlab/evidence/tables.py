"""The results as flat tables, for whoever has a spreadsheet and not this program."""

from __future__ import annotations

from typing import Any

import pandas as pd

Json = dict[str, Any]

_COLUMNS = {
    "parts": ("id", "kind", "type", "position", "verdict", "judged_on", "logs", "cycles", "run_in_complete",
              "cycles_needed", "not_measured"),
    "findings": ("of", "id", "quantity", "aspect", "value", "u", "unit", "lower", "upper", "p_conform", "verdict",
                 "reason", "limit_source"),
    "quantities": ("part", "phase", "quantity", "aspect", "value", "u", "lo", "hi", "unit", "model"),
    "events": ("of", "id", "kind", "quantity", "cycle", "time_s", "size", "size_s", "unit", "lo", "hi", "text"),
    "logs": ("path", "sha256", "rows", "rows_rejected", "status", "error"),
    "trim": ("group", "leader", "follower", "command_us", "correction_us", "left_over_deg"),
    "assignment": ("position", "part", "fitted"),
}  # fmt: skip


def result_tables(results: Json) -> dict[str, pd.DataFrame]:
    """Return name -> table of everything in ``results.json`` (given as parsed) that is a list."""
    parts, groups, logs = results["parts"], results["groups"], results["logs"]
    rows: dict[str, list[Json]] = {
        "parts": [_part(p) for p in parts],
        "findings": [{"of": "part", "id": p["id"], **f} for p in parts for f in p["findings"]]
        + [{"of": "group", "id": g["name"], **f} for g in groups for f in g["findings"]],
        "quantities": [row for p in parts for row in _quantities(p)],
        "events": [{"of": "part", "id": p["id"], **e} for p in parts for e in p["events"]]
        + [{"of": "log", "id": log["path"], **e} for log in logs for e in log["events"]],
        "logs": logs,
        "trim": [{"group": g["name"], **t} for g in groups for t in g["trim"]],
        "assignment": results["assignment"]["positions"],
    }
    return {name: pd.DataFrame(found, columns=list(_COLUMNS[name]), dtype=object) for name, found in rows.items()}


def _part(part: Json) -> Json:
    missing = "; ".join(f"{n['quantity']}: {n['why']}" for n in part["not_measured"])
    joined = {key: "; ".join(part[key]) for key in ("judged_on", "logs")}
    return {**part, **joined, "not_measured": missing}


def _quantities(part: Json) -> list[Json]:
    rows: list[Json] = []
    for name, quantity in part["quantities"].items():
        head = {"part": part["id"], "quantity": name}
        if "model" not in quantity:
            rows.append({**head, "aspect": "value", **quantity})
            continue
        for aspect, number in quantity.items():
            if isinstance(number, dict):
                rows.append({**head, "model": quantity["model"], "aspect": aspect, **number})
        if quantity.get("settled_at_cycle") is not None:
            settled = {"aspect": "settled_at_cycle", "value": quantity["settled_at_cycle"], "unit": "cycles"}
            rows.append({**head, "model": quantity["model"], **settled})
    for phase, quantities in part.get("phases", {}).items():
        rows += [
            {"part": part["id"], "phase": phase, "quantity": n, "aspect": "value", **q} for n, q in quantities.items()
        ]
    return rows
