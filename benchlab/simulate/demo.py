"""The demonstration airframe: an invented one with planted faults, small (shipped in ``data_demo/``) or full size.

Planted: S12 is still running in; S13's hysteresis grows; S16 draws far more than its sisters; T2 leaks; T3 was read by
hand without thermometer and barometer; P3 is too small for the flight. One log has an encoder glitch in it, one a
microsecond counter of 32 bits that starts anew. Everything else is sound. ``demo_logs`` makes the logs.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from benchlab.errors import BenchlabError
from benchlab.resources import shipped


def lay_out(folder: Path) -> None:
    """Copy the shipped demonstration airframe into ``folder``; files that are already there and the same are kept.

    Raises
    ------
    BenchlabError
        If the folder holds other files of those names, or cannot be written.
    """
    source = shipped("data_demo")
    try:
        for file in sorted(p for p in source.rglob("*") if p.is_file()):
            copy = folder / file.relative_to(source)
            if copy.exists():
                if copy.read_bytes() != file.read_bytes():
                    msg = "is not the demonstration's own file"
                    raise BenchlabError(msg, path=str(copy), do="name an empty folder: benchlab demo DIR")
                continue
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(file, copy)
    except OSError as error:
        msg = f"cannot be written ({error.strerror})"
        raise BenchlabError(msg, path=str(folder), do="name another folder: benchlab demo DIR") from None


def lay_out_full(folder: Path) -> None:
    """Generate the full-size demonstration airframe in ``folder``: 8 servos x 990 cycles at 100 Hz.

    Raises
    ------
    BenchlabError
        If the folder is there and not empty, or cannot be written.
    """
    from benchlab.simulate.demo_logs import RUDDERS, generate  # the shipped demonstration needs no simulators

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BenchlabError("is not an empty folder", path=str(folder), do="name another: benchlab demo --full DIR")
    register = (shipped("data_demo") / "airframe.toml").read_text(encoding="utf-8")
    eighth = (
        '[[servo]]\nid = "S18"\ntype = "digital 20 kgf.cm"\nsupply_v = 7.4\n'
        'log = "logs/rudders_and_spare.csv"\nchannel = 4\n\n'
    )
    try:
        generate(folder, sampling_hz=100.0, period_s=4.0, compress=False, rudders=(*RUDDERS, "S18"))
        text = register.replace(".csv.xz", ".csv").replace("[[group]]", eighth + "[[group]]", 1)
        (folder / "airframe.toml").write_text(text, encoding="utf-8")
    except OSError as error:
        msg = f"cannot be written ({error.strerror})"
        raise BenchlabError(msg, path=str(folder), do="name another folder: benchlab demo --full DIR") from None
