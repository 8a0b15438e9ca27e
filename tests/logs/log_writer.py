"""Writes a canonical table in a random dialect, the way some logger might; the other half of the round trip."""

from __future__ import annotations

import bz2
import gzip
import lzma
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import zstandard
from hypothesis import strategies as st

Table = dict[str, np.ndarray]

# kind -> channel -> (name, unit choices as (spelling, canonical = factor x logged + offset), decimals, typical, spread)
CHANNELS: dict[str, dict[str, tuple[list[str], list[tuple[str, float, float]], int, float, float]]] = {
    "current_draw": {
        "current_a": (["Current", "I", "Strom"], [("A", 1, 0), ("mA", 1e-3, 0)], 3, 1.5, 0.8),
        "voltage_v": (["Voltage", "U", "Spannung"], [("V", 1, 0), ("mV", 1e-3, 0)], 3, 7.4, 0.2),
    },
    "tank_pressure": {
        "pressure_kpa": (
            ["Pressure", "p", "Druck"], [("kPa", 1, 0), ("mbar", 0.1, 0), ("bar", 100, 0), ("Pa", 1e-3, 0)], 4, 10, 0.5,
        ),
        "temperature_c": (["Temperature", "Temp"], [("°C", 1, 0), ("K", 1, -273.15), ("F", 5 / 9, -160 / 9)], 2, 21, 2),
    },
    "servo_cycling": {
        "command_us": (["Command", "cmd", "Soll"], [("us", 1, 0), ("ms", 1e3, 0)], 3, 1500, 300),
        "position_deg": (["Position", "pos", "Winkel"], [("deg", 1, 0), ("°", 1, 0)], 3, 0, 30),
        "current_a": (["Current", "I"], [("A", 1, 0), ("mA", 1e-3, 0)], 3, 0.4, 0.1),
    },
}  # fmt: skip
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16-le+bom", "utf-16-be+bom", "utf-16-le", "utf-16-be", "cp1252")
MISSING = ("", "nan", "NaN", "OL", "OVLD", "---", "NA", "n/a")
CLOCKS = ("s", "ms", "us", "iso", "iso_z", "iso_offset", "dmy", "date_and_time", "epoch_ms", "time_of_day")
PREAMBLES = ("none", "hash", "colon", "delimited", "blank lines")
COMPRESSIONS = ("none", "gzip", "bz2", "xz", "zstd")


@dataclass(frozen=True, kw_only=True)
class Written:
    """A log and what must be read from it."""

    content: bytes
    kind: str
    table: pd.DataFrame
    """Canonical, NaN where a missing word was written."""
    tolerance: dict[str, float]
    """Half the last digit written, in canonical units."""
    dialect: dict[str, Any]


@st.composite
def logs(draw: st.DrawFn) -> Written:
    """Draw a log: table, dialect, and the bytes."""
    kind = draw(st.sampled_from(sorted(CHANNELS)))
    delimiter = draw(st.sampled_from([",", ";", "\t", "|", " ", "  "]))
    blanks = not delimiter.strip(" ")
    clock = draw(st.sampled_from(CLOCKS))
    decimal = draw(st.sampled_from([".", ","]))
    quoted = not blanks and (draw(st.booleans()) if decimal == "." or delimiter != "," else True)
    d = {
        "delimiter": delimiter, "decimal": decimal, "quoted": quoted, "clock": clock,
        "encoding": draw(st.sampled_from(ENCODINGS)), "line_end": draw(st.sampled_from(["\n", "\r\n", "\r"])),
        "preamble": draw(st.sampled_from(PREAMBLES)), "compression": draw(st.sampled_from(COMPRESSIONS)),
        "units": draw(st.sampled_from(["suffix", "units row"] + ([] if blanks else ["brackets", "round"]))),
        "missing": draw(st.sampled_from(MISSING[1:] if blanks else MISSING)),
        "share_missing": draw(st.sampled_from([0.0, 0.05, 0.3])),
        "grouping": False if blanks or quoted else draw(st.booleans()),
        "trailing": not blanks and draw(st.booleans()), "last_newline": draw(st.booleans()),
    }  # fmt: skip
    if clock == "iso_z" and blanks:
        d["clock"] = "s"
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    return write(kind, draw(st.integers(4, 120)), d, {c: draw(st.integers(0, 9)) for c in CHANNELS[kind]}, rng)


def write(kind: str, n: int, d: dict[str, Any], choices: dict[str, int], rng: np.random.Generator) -> Written:
    """Make a table of ``n`` rows and write it in dialect ``d``."""
    names, units, columns, tolerance = _clock(n, d)
    table: dict[str, np.ndarray] = {}
    table["time_s"], tolerance_s = columns.pop("#time"), tolerance
    found = {"time_s": tolerance_s}
    for channel, (spellings, choice, decimals, typical, spread) in CHANNELS[kind].items():
        pick = choices[channel]
        unit, factor, offset = choice[pick % len(choice)]
        logged = np.round((typical + spread * rng.uniform(-2, 2, n) - offset) / factor, decimals)
        gone = rng.random(n) < d["share_missing"]
        gone[:2] = False
        table[channel] = np.where(gone, np.nan, logged * factor + offset)
        found[channel] = 0.5001 * 10.0**-decimals * factor
        cells = [_number(x, decimals, d) for x in logged]
        columns[channel] = [d["missing"] if g else c for c, g in zip(cells, gone, strict=True)]
        names.append(spellings[pick % len(spellings)])
        units.append(unit)
    content = _encode(_text(names, units, list(columns.values()), d), d)
    return Written(content=content, kind=kind, table=pd.DataFrame(table), tolerance=found, dialect=d)


def _clock(n: int, d: dict[str, Any]) -> tuple[list[str], list[str], dict[str, Any], float]:
    """Return names, units and cells of the clock's columns, the true times, and their tolerance (s)."""
    steps = np.arange(n)
    clock = d["clock"]
    if clock in {"s", "ms", "us"}:
        t = steps * 0.02
        scale, decimals = {"s": (1, 2), "ms": (1e3, 0), "us": (1e6, 0)}[clock]
        return ["Time"], [clock], {"#time": t, "t": [_number(x * scale, decimals, d) for x in t]}, 1e-6
    if clock == "epoch_ms":
        return (
            ["timestamp"],
            ["ms"],
            {"#time": steps * 0.5, "t": [str(1_715_000_000_000 + 500 * i) for i in steps]},
            1e-6,
        )
    seconds = steps * 7.25
    moment = np.datetime64("2024-05-16T21:00:00.000") + (seconds * 1000).astype(int).astype("timedelta64[ms]")
    date, time = np.array([str(m).split("T") for m in moment]).T
    time = np.array([x.replace(".", d["decimal"]) for x in time])
    day = [x[8:10] + "." + x[5:7] + "." + x[:4] for x in date]
    blanks = not d["delimiter"].strip(" ")
    if clock == "time_of_day":
        return ["Time"], [""], {"#time": seconds, "t": time}, 1e-6
    if clock == "date_and_time" or (blanks and clock != "iso_z"):
        return ["Date", "Time"], ["", ""], {"#time": seconds, "d": date, "t": time}, 1e-6
    joined = {
        "iso": [f"{a} {b}" for a, b in zip(date, time, strict=True)],
        "iso_z": [f"{a}T{b}Z" for a, b in zip(date, time, strict=True)],
        "iso_offset": [f"{a}T{b}+02:00" for a, b in zip(date, time, strict=True)],
        "dmy": [f"{a} {b}" for a, b in zip(day, time, strict=True)],
    }[clock]
    return ["Timestamp"], [""], {"#time": seconds, "t": joined}, 1e-6


def _number(x: float, decimals: int, d: dict[str, Any]) -> str:
    if d["decimal"] == ",":
        text = f"{x:,.{decimals}f}" if d["grouping"] else f"{x:.{decimals}f}"
        return text.translate(str.maketrans(",.", ".,"))
    if d["grouping"] and d["delimiter"] != ",":
        return f"{x:,.{decimals}f}"
    return f"{x:.{decimals}f}"


def _text(names: list[str], units: list[str], columns: list[Any], d: dict[str, Any]) -> str:
    delimiter = d["delimiter"]
    style = {"brackets": "{} [{}]", "round": "{} ({})", "suffix": "{}_{}", "units row": "{}"}[d["units"]]
    header = [style.format(n, u) if u else n for n, u in zip(names, units, strict=True)]
    rows = [header, *zip(*columns, strict=True)]
    if d["units"] == "units row":
        rows.insert(1, [u or "-" for u in units])
    lines = [delimiter.join(f'"{c}"' if d["quoted"] else c for c in row) for row in rows]
    if d["trailing"]:
        lines = [x + delimiter for x in lines]
    lead = {
        "none": [], "hash": ["# logger: bench 2", "# rate: 50"], "colon": ["Device: bench logger", "Gain: 2"],
        "delimited": [f"Device{delimiter.strip() or ':'}bench", f"Gain{delimiter.strip() or ':'}2"],
        "blank lines": ["", ""],
    }[d["preamble"]]  # fmt: skip
    return d["line_end"].join([*lead, *lines]) + (d["line_end"] if d["last_newline"] else "")


def _encode(text: str, d: dict[str, Any]) -> bytes:
    name, _, bom = d["encoding"].partition("+")
    content = ("\ufeff" + text if bom else text).encode(name)
    pack = {
        "none": bytes, "gzip": gzip.compress, "bz2": bz2.compress, "xz": lzma.compress,
        "zstd": zstandard.ZstdCompressor().compress,
    }  # fmt: skip
    return pack[d["compression"]](content)
