"""Logs of our own that are hard to read, each with what must be read from it: numbers, delimiters, encodings, headers, line ends.

Written by hand for this project (invented data); none imitates a product. What the truth leaves out is not checked.
"""
# ruff: noqa: E501 - a log in a line or two is easier to check by eye

from __future__ import annotations

import gzip

import numpy as np

from tests.logs.nasty_tools import CMD, POS, TI, TIU, C, I, N, P, T, U, cells, log, n, plain, table


def add_all() -> None:
    """Add the logs of this module to the collection."""
    for part in (_numbers, _delimiters, _encodings, _headers, _preambles, _footers, _lines):
        part()


# --- numbers --------------------------------------------------------------------------------------------------------


def _numbers() -> None:
    ms = T * 1000 + 12_000
    t = {"time_s": T}
    log("thousands point, decimal comma", table(["Zeit [ms];Strom [mA];Spannung [mV]"],
        [cells(ms, 0, ",", "."), cells(I * 1000, 1, ",", "."), cells(U * 1000, 1, ",", ".")], ";"),
        TIU, dialect={"delimiter": ";", "decimal": ","})  # fmt: skip
    log("thousands apostrophe", table(["Time (ms);Current (mA)"], [cells(ms, 0, ".", "'"), cells(I * 1000, 1, ".", "'")], ";"),
        TI, dialect={"delimiter": ";", "decimal": "."})  # fmt: skip
    log("thousands thin space", table(["Temps (ms);Courant (mA)"],
        [cells(ms, 0, ",", "\u202f"), cells(I * 1000, 1, ",", "\u202f")], ";"), TI, dialect={"decimal": ","})  # fmt: skip
    log("thousands no-break space in Windows text", table(["Zeit (ms);Strom (mA)"],
        [cells(ms, 0, ",", "\xa0"), cells(I * 1000, 1, ",", "\xa0")], ";"), TI, "cp1252",
        dialect={"decimal": ",", "encoding": "cp1252"})  # fmt: skip
    log("thousands blank in a tab log", table(["Zeit (ms)\tStrom (mA)"],
        [cells(ms, 0, ",", " "), cells(I * 1000, 1, ",", " ")], "\t"), TI, dialect={"delimiter": "\t"})  # fmt: skip
    log("quoted thousands comma", table(["Time (ms),Current (mA)"],
        [[f'"{c}"' for c in cells(ms, 0, ".", ",")], [f'"{c}"' for c in cells(I * 1000, 2, ".", ",")]]),
        TI, dialect={"delimiter": ",", "decimal": "."})  # fmt: skip
    log("exponents", table(["t_s,current_A"], [[f"{x:.3E}" for x in T], [f"{x:+.4E}" for x in I]]), TI)
    log("exponents with decimal comma", table(["Zeit/s;Strom/A"],
        [[f"{x:.3E}".replace(".", ",") for x in T], [f"{x:+.4E}".replace(".", ",") for x in I]], ";"),
        TI, dialect={"decimal": ","})  # fmt: skip
    log("whole milliamperes and decimal-comma volts", table(["ms;mA;V"],
        [cells(T * 1000, 0), cells(I * 1000, 0), cells(U, 3, ",")], ";"), TIU, dialect={"decimal": ","})  # fmt: skip
    log("three decimals with a comma everywhere", table(["Zeit (s);Strom (A);Spannung (V)"],
        [cells(T, 3, ","), cells(I, 3, ","), cells(U, 3, ",")], ";"), TIU, dialect={"decimal": ","})  # fmt: skip
    log("three decimals with a point everywhere", table(["t_s;I_A;U_V"], [cells(T, 3), cells(I, 3), cells(U, 3)], ";"),
        TIU, dialect={"decimal": "."})  # fmt: skip
    log("signs and leading points", table(["t_s,current_A"],
        [cells(T, 1), [f"{x - 1.2:+.3f}".replace("0.", ".") for x in I]]), t | {"current_a": I - 1.2})  # fmt: skip
    log("true minus sign", table(["t_s;current_A"], [cells(T, 1), [n(x - 1.2, 3).replace("-", "\u2212") for x in I]], ";"),
        t | {"current_a": I - 1.2})  # fmt: skip
    log("numbers padded with zeros", table(["t_ms,current_mA"],
        [[f"{x:08.0f}" for x in T * 1000], [f"{x:06.0f}" for x in I * 1000]]), TI)  # fmt: skip


# --- delimiters -----------------------------------------------------------------------------------------------------


def _delimiters() -> None:
    log(
        "tab with blanks around",
        plain("Time [s] \t Current [A] \t Voltage [V]", " \t "),
        TIU,
        dialect={"delimiter": "\t"},
    )
    log("bar with blanks", plain("t_s | current_A | voltage_V", " | "), TIU, dialect={"delimiter": "|"})
    framed = "".join(f"| {x} |\n" for x in plain("t_s | current_A | voltage_V", " | ").splitlines())
    log("bars at both ends", framed, TIU, dialect={"delimiter": "|"})
    ruled = framed.splitlines()
    ruled.insert(1, "|---|---|---|")
    log("bars at both ends and a ruled line", "\n".join(ruled) + "\n", TIU, dialect={"delimiter": "|"})
    right = "".join(f"{t:8.1f}{i:12.3f}{u:12.3f}\n" for t, i, u in zip(T, I, U, strict=True))
    log("right-aligned columns", "    t_s   current_A   voltage_V\n" + right, TIU, dialect={"delimiter": " "})
    log(
        "right-aligned, names of two words",
        "Time (s) Current (A) Voltage (V)\n" + right,
        TIU,
        dialect={"delimiter": " "},
    )
    log("right-aligned, names far apart", "  Time (s)   Load current (A)   Pack voltage (V)\n" + right, TIU)
    log("right-aligned, units row", "    Time     Current     Voltage\n       s           A           V\n" + right, TIU,
        dialect={"header_line": 1, "units_line": 2, "first_data_line": 3})  # fmt: skip
    log("comma and blank", plain("t_s, current_A, voltage_V", ", "), TIU, dialect={"delimiter": ","})
    log(
        "semicolon with decimal point",
        plain("t_s;current_A;voltage_V", ";"),
        TIU,
        dialect={"delimiter": ";", "decimal": "."},
    )
    log("tab with decimal comma", plain("t_s\tI_A\tU_V", "\t", ","), TIU, dialect={"delimiter": "\t", "decimal": ","})
    quoted = "".join(
        ",".join(f'"{c}"' for c in x.split(";")) + "\n"
        for x in plain("Zeit (s);Strom (A);Spannung (V)", ";", ",").splitlines()
    )
    log("quoted decimal commas in a comma log", quoted, TIU, dialect={"delimiter": ",", "decimal": ","})
    part = "".join(f'{k},"{n(i, 3, ",")}","{n(u, 3, ",")}"\n' for k, (i, u) in enumerate(zip(I, U, strict=True)))
    log("decimal commas quoted where needed", "Zeit (s),Strom (A),Spannung (V)\n" + part, TIU | {"time_s": np.arange(N)},
        dialect={"delimiter": ",", "decimal": ","})  # fmt: skip
    rows = plain("t_s;current_A;voltage_V", ";").splitlines()
    log("trailing delimiter in the data only", "\n".join([rows[0], *(r + ";" for r in rows[1:])]) + "\n", TIU)
    log("trailing delimiter in the header only", "\n".join([rows[0] + ";", *rows[1:]]) + "\n", TIU)
    log("trailing delimiters, three empty columns", "\n".join(r + ";;;" for r in rows) + "\n", TIU)
    log("leading delimiter", "\n".join("," + r.replace(";", ",") for r in rows) + "\n", TIU)
    log("text column with delimiters in quotes", table(["t_s,note,current_A"],
        [cells(T, 1), ['"ok, going ""well"""'] * N, cells(I, 3)]), TI)  # fmt: skip
    log("text column with blanks in a comma log", table(["t_s,current_A,note"],
        [cells(T, 1), cells(I, 3), [["all well", "a bit warm", "", "stop; go"][k % 4] for k in range(N)]]), TI)  # fmt: skip


# --- encodings ------------------------------------------------------------------------------------------------------


def _encodings() -> None:
    german = table(
        ["Zeit (s);Überdruck (mbar);Temperatur (°C)"], [cells(T, 1, ","), cells(P * 10, 1, ","), cells(C, 1, ",")], ";"
    )
    tank = {"time_s": T, "temperature_c": C}
    pressed = tank | {"pressure_kpa": P}
    plain_tank = german.replace("Überdruck", "Druck")
    for name in ("utf-16-le", "utf-16-be"):
        for bom in ("", "\ufeff"):
            log(f"{name}{' with mark' if bom else ''}", (bom + plain_tank).encode(name), pressed, kind="tank_pressure",
                dialect={"encoding": name, "bom": bool(bom)})  # fmt: skip
    log(
        "utf-8 with mark",
        "\ufeff" + plain_tank,
        pressed,
        kind="tank_pressure",
        dialect={"encoding": "utf-8", "bom": True},
    )
    log("Windows degree sign", plain_tank, pressed, "cp1252", kind="tank_pressure", dialect={"encoding": "cp1252"})
    log("name with an umlaut", german, pressed, kind="tank_pressure")
    servo = {"time_s": T, "command_us": CMD, "position_deg": POS}
    for micro in "µ\u03bc":
        text = table([f"t (s),Pulse ({micro}s),Angle (°)"], [cells(T, 1), cells(CMD, 0), cells(POS, 2)])
        log(f"micro sign U+{ord(micro):04X}", text, servo, kind="servo_cycling")
    log("Windows micro sign", table(["t (s),Pulse (µs),Angle (°)"], [cells(T, 1), cells(CMD, 0), cells(POS, 2)]), servo,
        "cp1252", kind="servo_cycling", dialect={"encoding": "cp1252"})  # fmt: skip
    log("French names", table(["Temps (s);Pression (mbar);Température (°C)"],
        [cells(T, 1, ","), cells(P * 10, 1, ","), cells(C, 1, ",")], ";"), pressed, kind="tank_pressure")  # fmt: skip
    log("Spanish names", table(["Tiempo (s);Corriente (A);Tensión (V)"], [cells(T, 1, ","), cells(I, 3, ","), cells(U, 3, ",")], ";"),
        TIU, "cp1252")  # fmt: skip
    log("two marked files joined", ("\ufeff" + plain()) + ("\ufeff" + table(["t_s,current_A,voltage_V"],
        [cells(T + 4, 1), cells(I, 3), cells(U, 3)])), {"time_s": np.r_[T, T + 4], "current_a": np.r_[I, I]})  # fmt: skip


# --- headers --------------------------------------------------------------------------------------------------------


def _headers() -> None:
    for header in ("t [ms];I [mA]", "t/ms;I/mA", "t_ms;I_mA", "time_ms;current_ma", "Zeit in ms;Strom in mA",
                   "Time, ms;Current, mA", "Time ms;Current mA", "ms;mA", "time(ms);current(mA)", "Time - ms;Current - mA",
                   "TIME_MS;CURRENT_MA", "Time {ms};Current {mA}", "Time <ms>;Current <mA>", "timeMs;currentMa",
                   '"Time [ms]";"Current [mA]"', "Time(Milliseconds);Current(Milliamps)", "elapsed.ms;current.mA",
                   "# t_ms;I_mA", "time in milliseconds;current in milliamperes"):  # fmt: skip
        log(f"header {header}", table([header], [cells(T * 1000, 0), cells(I * 1000, 0)], ";"), TI)
    log("units row in brackets", table(["Time;Current;Voltage", "[s];[A];[V]"], [cells(T, 1), cells(I, 3), cells(U, 3)], ";"),
        TIU, dialect={"header_line": 1, "units_line": 2, "first_data_line": 3})  # fmt: skip
    log("units row with a hole", table(["Time;Mode;Current", "s;;mA"], [cells(T, 1), ["run"] * N, cells(I * 1000, 0)], ";"),
        TI, dialect={"units_line": 2})  # fmt: skip
    log(
        "units row above the names",
        table(["s,A,V", "Time,Current,Voltage"], [cells(T, 1), cells(I, 3), cells(U, 3)]),
        TIU,
    )
    log("units row below a blank line", table(["Time,Current,Voltage", "", "s,A,V", ""], [cells(T, 1), cells(I, 3), cells(U, 3)]),
        TIU, dialect={"header_line": 1, "units_line": 3, "first_data_line": 5})  # fmt: skip
    log("header of two lines", table(["Time;Current;Current", ";Servo 1;Servo 2", "s;A;A"], [cells(T, 1), cells(I, 3), cells(I + 1, 3)], ";"),
        {"1:time_s": T, "1:current_a": I, "2:current_a": I + 1}, kind="servo_cycling")  # fmt: skip
    log("groups over names", table([";Servo 1;;Servo 2;", "t_s;pos_deg;I_A;pos_deg;I_A"],
        [cells(T, 1), cells(POS, 2), cells(I, 3), cells(POS + 1, 2), cells(I + 1, 3)], ";"),
        {"1:position_deg": POS, "1:current_a": I, "2:position_deg": POS + 1, "2:current_a": I + 1}, kind="servo_cycling")  # fmt: skip
    log("numbered channel names", table(["Scan,Time (s),CH101 (A),CH102 (V)"],
        [[str(k + 1) for k in range(N)], cells(T, 1), cells(I, 3), cells(U, 3)]), {"time_s": T})  # fmt: skip
    log(
        "record number first",
        table(["No.,Time (s),Current (A)"], [[str(k + 1) for k in range(N)], cells(T, 1), cells(I, 3)]),
        TI,
    )
    log("time last", table(["Current (A),Voltage (V),Time (s)"], [cells(I, 3), cells(U, 3), cells(T, 1)]), TIU)
    log(
        "row numbers without a name (blanks)",
        table(['"t_s" "I_A"'], [[f'"{k + 1}"' for k in range(N)], cells(T, 1), cells(I, 3)], " "),
        TI,
    )
    log(
        "row numbers without a name (comma)",
        table([",t_s,current_A"], [[str(k) for k in range(N)], cells(T, 1), cells(I, 3)]),
        TI,
    )
    log("header in quotes, data without", table(['"Time (s)","Current (A)"'], [cells(T, 1), cells(I, 3)]), TI)
    log("no header at all", table([], [cells(T, 1), cells(I, 3)]), {}, kind=None,
        dialect={"header_line": None, "first_data_line": 1, "rows": N})  # fmt: skip


# --- preambles ------------------------------------------------------------------------------------------------------


def _preambles() -> None:
    for mark in ("#", "%", "//", ";", "!", "'", "REM", "--", "*"):
        log(
            f"comments with {mark}",
            f"{mark} bench log\n{mark} rate: 10 Hz, range 20 A\n" + plain(),
            TIU,
            dialect={"header_line": 3},
        )
    log(
        "key: value",
        "Operator: bench two\nStarted: 2024-05-16 12:00:00\nRate: 10 Hz\n\n" + plain(),
        TIU,
        dialect={"header_line": 5},
    )
    log("key;value", "Device;bench\nSerial;12345\nGain;2,5\nOffset;0\n" + plain("Zeit (s);Strom (A);Spannung (V)", ";", ","), TIU,
        dialect={"header_line": 5, "decimal": ","})  # fmt: skip
    log("key = value in sections", "[general]\nrate = 10\nchannels = 3\n[range]\ncurrent = 20\nvoltage = 60\n[data]\n" + plain(), TIU,
        dialect={"header_line": 8})  # fmt: skip
    log("sep=;", "sep=;\n" + plain("t_s;current_A;voltage_V", ";"), TIU, dialect={"header_line": 2, "delimiter": ";"})
    log(
        "quoted sep line in utf-16",
        ('"sep=\t"\n' + plain("t_s\tI_A\tU_V", "\t")).encode("utf-16"),
        TIU,
        dialect={"delimiter": "\t"},
    )
    log(
        "ragged preamble",
        "Bench\nA,B,C,D,E\n1,2\nRange,20,A\nScale,1,1,1\n,,,\nPoints,40\n" + plain(),
        TIU,
        dialect={"header_line": 8},
    )
    long = "".join(f"Setting {k}: {k * 7 % 13}.{k % 10}\n" for k in range(300))
    log("preamble of 300 lines", long + plain(), TIU, dialect={"header_line": 301})
    log("preamble of 300 lines in the log's own delimiter",
        "".join(f"Setting {k},{k * 7 % 13},{k % 10}\n" for k in range(300)) + plain(), TIU, dialect={"header_line": 301})  # fmt: skip
    log("preamble that looks like a short table", "Channel,Offset,Gain\n1,0.01,1.002\n2,-0.02,0.998\n\n" + plain(), TIU,
        dialect={"header_line": 5, "first_data_line": 6})  # fmt: skip
    log("instrument set-up before the data", "Source,CH1\nSecond,Volt\nSample Interval,1.0E-01\nRecord Length,40\n"
        + table(["TIME,CH1"], [[f"{x:.4E}" for x in T], [f"{x:.4E}" for x in U]]), {}, kind=None,
        dialect={"header_line": 5, "rows": N})  # fmt: skip


# --- the end of a log -----------------------------------------------------------------------------------------------


def _footers() -> None:
    log("words at the end", plain() + "End of log\n", TIU, rejected=(42,))
    log("summary lines", plain() + "Min,0.4,7.3\nMax,2.0,7.4\nMean,1.2,7.35\n", TIU, rejected=(42, 43, 44))
    log("summary after a blank line", plain() + "\nSamples: 40\nDuration: 3.9 s\n", TIU, rejected=(43, 44))
    log("comment at the end", plain() + "# stopped by user\n", TIU)
    log("totals without a time", plain() + ",48.1,295.2\n", TIU, rejected=(42,))
    log("cut in the last line", plain() + "4.0,1.", TIU, rejected=(42,))
    log("marker rows in the middle", plain().replace("\n2.0,", "\n--- pause ---\n2.0,", 1), TIU, rejected=(22,))
    again = table(["t_s,current_A,voltage_V"], [cells(T + 4, 1), cells(I, 3), cells(U, 3)])
    both = {"time_s": np.r_[T, T + 4], "current_a": np.r_[I, I], "voltage_v": np.r_[U, U]}
    log("header again", plain() + again, both)
    log("header again after a blank line", plain() + "\n\n" + again, both)
    log("header and units again", "Time,Current\ns,A\n" + table([], [cells(T, 1), cells(I, 3)]) + "Time,Current\ns,A\n"
        + table([], [cells(T + 4, 1), cells(I, 3)]), {"time_s": both["time_s"], "current_a": both["current_a"]})  # fmt: skip
    log("comment and header again", "# run 1\n" + plain() + "# run 2\n" + again, both)


# --- lines ----------------------------------------------------------------------------------------------------------


def _lines() -> None:
    log("carriage returns alone", plain().replace("\n", "\r"), TIU)
    log("CR CR LF", plain().replace("\n", "\r\r\n"), TIU)
    mixed = plain().splitlines()
    log("mixed line ends", "".join(x + ("\r\n" if k % 3 else "\n") for k, x in enumerate(mixed)), TIU)
    log("blank line after every row", plain().replace("\n", "\n\n"), TIU)
    log("lines of delimiters only", plain() + ",,\n,,\n", TIU)
    log("NULs at the end", plain().encode() + bytes(4000), TIU)
    log("NULs in the middle", plain().encode().replace(b"\n2.0,", b"\n" + bytes(512) + b"2.0,", 1), TIU)
    log("control Z at the end", plain().encode() + b"\x1a", TIU)
    log("two packed files joined", gzip.compress(plain().encode()) + gzip.compress(
        table([], [cells(T + 4, 1), cells(I, 3), cells(U, 3)]).encode()), {"time_s": np.r_[T, T + 4]})  # fmt: skip
    log("blanks at line ends", plain().replace("\n", "  \n"), TIU)
