"""Copying what a run reads - register, procedures in force, raw logs - into the archive."""

from __future__ import annotations

import datetime
import math
import shutil
import tomllib
from pathlib import Path
from typing import Any

from benchlab.airframe import LOG_KIND, REGISTER, Airframe
from benchlab.errors import BenchlabError
from benchlab.evidence.bag import write_text
from benchlab.evidence.names import stored_names
from benchlab.export import toml_string
from benchlab.procedure import KINDS, procedure_file


def copy_inputs(airframe: Airframe, target: Path) -> dict[str, str]:
    """Copy register, the four procedures in force and every raw log (byte for byte) into ``target``.

    Returns path as written in the register -> path as stored, for those logs that could not keep theirs: outside the
    airframe's folder, or with a name that another system cannot hold. The register in ``target`` then names the
    stored paths, so that it works where it lies; without such logs it is a copy byte for byte. A log that does not
    exist is left out: that is for the run to tell.
    """
    (target / "pipelines").mkdir(parents=True)
    fixed = [REGISTER, *(f"pipelines/{kind}.toml" for kind in KINDS)]
    stored = stored_names(airframe.log_paths(), fixed)
    for kind in KINDS:
        shutil.copyfile(procedure_file(kind, airframe.own_pipelines), target / "pipelines" / f"{kind}.toml")
    for name, (path, _) in airframe.log_paths().items():
        if path.is_file():
            (target / stored[name]).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target / stored[name])
    renamed = {name: new for name, new in stored.items() if Path(name) != Path(new)}
    if renamed:
        raw = tomllib.loads((airframe.folder / REGISTER).read_text(encoding="utf-8-sig"))
        write_text(target / REGISTER, toml_text(with_names(raw, renamed)))
    else:
        shutil.copyfile(airframe.folder / REGISTER, target / REGISTER)
    return renamed


def with_names(raw: dict[str, Any], renamed: dict[str, str]) -> dict[str, Any]:
    """Return a register's table with the paths of its logs exchanged, at the parts and in ``[logs]``."""

    def exchanged(log: str | list[str]) -> str | list[str]:
        return renamed.get(log, log) if isinstance(log, str) else [renamed.get(one, one) for one in log]

    out = dict(raw)
    for word in LOG_KIND:
        if word in raw:
            out[word] = [{**e, "log": exchanged(e["log"])} if "log" in e else e for e in raw[word]]
    if "dimension_log" in raw["airframe"]:
        head = raw["airframe"]
        out["airframe"] = {**head, "dimension_log": exchanged(head["dimension_log"])}
    if "logs" in raw:
        out["logs"] = {renamed.get(name, name): help_ for name, help_ in raw["logs"].items()}
    return out


def toml_text(table: dict[str, Any]) -> str:
    """Return a table as TOML: tables and arrays of tables on top, everything below them inline.

    Raises
    ------
    BenchlabError
        If reading the text back does not give the same table.
    """
    lines = [f"{_key(k)} = {_inline(v)}" for k, v in table.items() if not _is_table(v) and not _is_tables(v)]
    for name, value in table.items():
        for entry in [value] if _is_table(value) else value if _is_tables(value) else []:
            lines += ["", f"[{_key(name)}]" if _is_table(value) else f"[[{_key(name)}]]"]
            lines += [f"{_key(k)} = {_inline(v)}" for k, v in entry.items()]
    text = "\n".join(lines).lstrip("\n") + "\n"
    if tomllib.loads(text) != table:
        raise BenchlabError("the register could not be adapted to the stored names of its logs", path=REGISTER)
    return text


def _is_table(value: object) -> bool:
    return isinstance(value, dict)


def _is_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(e, dict) for e in value)


def _key(name: str) -> str:
    return _inline(name)


def _inline(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return toml_string(value)
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)  # nan, inf, -inf are spelled alike
    if isinstance(value, datetime.datetime | datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, list):
        return f"[{', '.join(_inline(v) for v in value)}]"
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{_key(k)} = {_inline(v)}' for k, v in value.items())} }}" if value else "{}"
    return repr(value)
