"""Sealing the evidence of one airframe: run it afresh on a copy of its inputs, then bag inputs and results."""

from __future__ import annotations

import datetime
import getpass
import importlib.metadata
import json
import os
import platform
import re
import shutil
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any, Protocol

import pandas as pd

from benchlab import __version__
from benchlab.airframe import REGISTER, load_airframe
from benchlab.errors import BenchlabError
from benchlab.evidence.bag import TAG_MANIFEST, files_in, one_line, seal, staged, write_text
from benchlab.evidence.crate import METADATA, Account, crate_text
from benchlab.evidence.inputs import copy_inputs
from benchlab.evidence.names import portable
from benchlab.evidence.sign import NAMESPACE, SUFFIX, require_key, sign_file
from benchlab.evidence.tables import result_tables
from benchlab.export import csv_text
from benchlab.procedure import load_procedures

SIGNATURE_LABEL = "Signature-File"
VERDICT_LABEL = "Airframe-Verdict"


class Ran(Protocol):
    """What a run gives back, as far as it matters here."""

    @property
    def folder(self) -> Path:
        """Folder with report.html, results.json, cycles.parquet and rejected_rows.csv."""


Run = Callable[[Path, Path], Ran]
"""Does the whole job for an airframe's folder and writes below a second folder: ``benchlab.run.run_airframe``."""


def archive_airframe(
    folder: Path,
    out: Path,
    *,
    run: Run,
    sign: Path | None = None,
    allow_outside: bool = False,
    progress: Callable[[str], None] = lambda _: None,
) -> Path:
    """Seal the evidence of the airframe in ``folder`` as a new bag ``out/<airframe id>_<date>`` and return its path.

    The inputs are copied first and the run works on the copy, so that the results belong to the very bytes sealed.
    The payload depends on the inputs, the installed versions, the account and the day; the moment is in a tag file.

    Raises
    ------
    RegisterError
        If the register or a procedure is faulty.
    BenchlabError
        If the bag exists, the disk refuses, or the key cannot be used. Nothing is left behind then.
    """
    airframe = load_airframe(folder, allow_outside=allow_outside)
    load_procedures(airframe.own_pipelines)  # faults are to be told with the user's paths, not with the copy's
    if sign is not None:
        require_key(sign)
    started = _now()
    destination = out / bag_name(airframe.id, started)
    with staged(destination) as staging:
        progress("copying register, procedures and logs")
        renamed = copy_inputs(airframe, staging / "data/airframe")
        data = staging / "data"
        inputs = frozenset(files_in(data / "airframe", base=data))
        results = _fresh_results(run, staging)
        if renamed:
            _keep_names(renamed, folder, data)
        write_text(data / "versions.json", versions_text(results["software"]))
        write_text(staging / "README.txt", readme_text(results, renamed=bool(renamed)))
        sizes = {p: (data / p).stat().st_size for p in files_in(data, base=data)}
        ended = _now()
        account = Account(
            airframe=airframe.id, description=one_line(results["description"]), verdict=results["verdict"],
            operator=_operator(), started=f"{started:%Y-%m-%d}", ended=f"{ended:%Y-%m-%d}",
            software=results["software"], sizes=sizes, inputs=inputs,
        )  # fmt: skip
        write_text(data / METADATA, crate_text(account))
        progress("sealing the archive")
        seal(
            staging,
            _info(account, ended, signed=sign is not None),
            sign=None if sign is None else lambda p: sign_file(p, sign),
        )
    return destination


def bag_name(airframe: str, when: datetime.datetime) -> str:
    """Return the name of the bag's folder; an id that some system takes for a device or hides gets a prefix."""
    name = f"{airframe}_{when:%Y-%m-%d}"
    return name if portable(name) and not name.startswith(".") else f"airframe_{name}"


def _fresh_results(run: Run, staging: Path) -> dict[str, Any]:
    """Run the copied airframe and lay its results, also as CSV, into ``data/results``."""
    outcome = run(staging / "data/airframe", staging / "run")
    target = staging / "data/results"
    outcome.folder.rename(target)
    shutil.rmtree(staging / "run")
    results: dict[str, Any] = json.loads((target / "results.json").read_text(encoding="utf-8"))
    for name, table in result_tables(results).items():
        write_text(target / f"{name}.csv", csv_text(table))
    write_text(target / "cycles.csv", csv_text(pd.read_parquet(target / "cycles.parquet")))
    return results


def _keep_names(renamed: dict[str, str], folder: Path, data: Path) -> None:
    """Keep the register as it was written and say which log was stored under which name."""
    shutil.copyfile(folder / REGISTER, data / "airframe_as_written.toml")
    named = pd.DataFrame({"in_the_register": list(renamed), "stored_as": list(renamed.values())})
    write_text(data / "renamed_logs.csv", csv_text(named))


def _info(account: Account, ended: datetime.datetime, *, signed: bool) -> dict[str, str]:
    info = {
        "Bagging-Date": account.ended,
        "Bagging-Time": ended.isoformat(),
        "External-Identifier": account.airframe,
        "External-Description": f"Bench test evidence of airframe {account.airframe}. {account.description}",
        "Bag-Software-Agent": f"benchlab {__version__}",
        VERDICT_LABEL: account.verdict,
    }
    return {**info, SIGNATURE_LABEL: TAG_MANIFEST + SUFFIX} if signed else info


def readme_text(results: dict[str, Any], *, renamed: bool) -> str:
    """Return the bag's README.txt."""
    template = resources.files("benchlab.evidence").joinpath("bag_readme.txt").read_text(encoding="utf-8")
    description = one_line(results["description"])
    extra = (
        "data/airframe_as_written.toml  the register before logs from elsewhere, or with names that not every system\n"
        "                               can hold, were given the names that data/renamed_logs.csv lists\n"
    )
    return template.format(
        airframe=results["airframe"],
        rule="=" * (33 + len(results["airframe"])),
        description=f"{description}\n" if description else "",
        verdict=results["verdict"],
        renamed=extra if renamed else "",
        namespace=NAMESPACE,
    )


def versions_text(software: dict[str, str]) -> str:
    """Return versions.json: what computed, every package it rests on, Python and the system."""
    system = {"system": platform.system(), "machine": platform.machine(), "python": platform.python_implementation()}
    return json.dumps({"software": software, "packages": _packages("benchlab"), "system": system}, indent=1) + "\n"


def _packages(root: str) -> dict[str, str]:
    """Versions of a distribution and of all it requires, extras left out."""
    found: dict[str, str] = {}
    open_: list[str] = [root]
    while open_:
        name = open_.pop()
        try:
            distribution = importlib.metadata.distribution(name)
        except importlib.metadata.PackageNotFoundError:  # required on other systems only
            continue
        found[name] = distribution.version
        wanted = [r for r in distribution.requires or [] if "extra ==" not in r.replace("extra==", "extra ==")]
        names = [re.split(r"[^A-Za-z0-9._-]", r, maxsplit=1)[0].lower().replace("_", "-") for r in wanted]
        open_ += [n for n in names if n not in found]
    return dict(sorted(found.items()))


def _operator() -> str:
    try:
        return one_line(getpass.getuser()) or "unknown"
    except (OSError, KeyError, ImportError):  # no account by that number, as in some containers
        return "unknown"


def _now() -> datetime.datetime:
    """Return the local time, or the one that SOURCE_DATE_EPOCH (reproducible-builds.org) sets instead."""
    text = os.environ.get("SOURCE_DATE_EPOCH")
    if text is None:
        return datetime.datetime.now().astimezone().replace(microsecond=0)
    try:
        return datetime.datetime.fromtimestamp(int(text), datetime.UTC)
    except (ValueError, OverflowError, OSError):
        raise BenchlabError(
            f"SOURCE_DATE_EPOCH is {text!r}, not a number of seconds", do="correct or unset it"
        ) from None
