"""Damages logs: bit flips, cut ends, inserted and dropped bytes, copied and swapped pieces; and counts data rows."""

from __future__ import annotations

import numpy as np


def samples() -> list[bytes]:
    """Small sound logs of several dialects."""
    wide = "t_ms,cmd_us,pos1,pos2,I1_mA,I2_mA\n" + "".join(
        f"{20 * i},{1500 + 100 * (i % 3)},{i % 9}.5,{i % 7}.25,{100 + i},{200 + i}\n" for i in range(60)
    )
    comma = "# logger: bench\n# rate: 1\nZeit;Druck [mbar];Temp [°C]\n" + "".join(
        f"16.05.2024 12:{i:02d}:00;" + f"{100 - i / 10:.1f};21.{i % 10}\n".replace(".", ",") for i in range(50)
    )
    quoted = '"Time (s)","Current (A)","Voltage (V)"\r\n' + "".join(
        f'"{i / 10:.1f}","{i % 5}.25","7.4"\r\n' for i in range(50)
    )
    units = "t\tI\tU\ns\tA\tV\n" + "".join(f"{i}\t{i % 5}.5\t{'OL' if i % 11 == 3 else '7.4'}\n" for i in range(50))
    blanks = "".join(f"{i * 0.1:8.2f} {i % 7:8.3f} {i * 2:8d}\n" for i in range(50))
    labelled = "".join(f"t={i / 10:.1f} s; I={i % 7}.25 A; U=7.4 V\n" for i in range(50))
    ranged = "Time (s);Current;Mode\n" + "".join(
        f"{i};{f'{i * 31 % 900} mA' if i % 3 else f'1.{i:02d} A'};run\n" for i in range(50)
    )
    packed = "Date,Time,P (mbar)\n" + "".join(f"20240516,1159{i:02d},{100 - i}.5\n" for i in range(50))
    grouped = ";Servo 1;;Servo 2;\nt_s;pos_deg;I_A;pos_deg;I_A\n" + "".join(
        f"{i};{i % 9};0,5;{i % 7};0,25\n" for i in range(50)
    )
    newer = [labelled.encode(), ranged.encode(), packed.encode(), grouped.encode()]
    return [*newer, wide.encode(), comma.encode("cp1252"), quoted.encode(), units.encode("utf-16"), blanks.encode()]


def damaged(log: bytes, rng: np.random.Generator) -> bytes:
    """Return a log with one to four faults of random kinds."""
    data = bytearray(log)
    for _ in range(int(rng.integers(1, 5))):
        if not data:
            break
        at = int(rng.integers(len(data)))
        size = int(rng.integers(1, 12))
        match rng.integers(7):
            case 0:
                data[at] ^= 1 << int(rng.integers(8))
            case 1:
                del data[at:]
            case 2:
                data[at:at] = rng.bytes(size)
            case 3:
                del data[at : at + size]
            case 4:
                data[at:at] = data[: at // 2]
            case 5:
                data[at : at + size] = bytes(size)
            case _:
                data[at:at] = rng.choice([b"\n", b'"', b",", b";", b"\t", b"\0", b"\r", b"9" * 400, b"-", b"#"])
    return bytes(data)
