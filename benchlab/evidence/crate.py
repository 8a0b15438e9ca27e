"""RO-Crate 1.1 metadata: what the files of a bag are, who made them, when and with which software, in PROV terms.

The payload folder ``data/`` is the root of the crate, as RO-Crate 1.1 has it for bags. Times are given to the day, so
that the same input sealed twice on a day gives the same payload; the moment stands in ``bag-info.txt``.
"""

from __future__ import annotations

import json
import mimetypes
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

METADATA = "ro-crate-metadata.json"
"""Name of the metadata file, in the root of the crate."""
_CONTEXT = ["https://w3id.org/ro/crate/1.1/context", {"prov": "http://www.w3.org/ns/prov#"}]
_TYPES = {".parquet": "application/vnd.apache.parquet", ".toml": "application/toml", ".csv": "text/csv"}

Entity = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """What the crate tells; times are ISO 8601 days, paths relative to the payload folder."""

    airframe: str
    description: str
    verdict: str
    operator: str
    started: str
    ended: str
    software: Mapping[str, str]
    sizes: Mapping[str, int]
    """Every file of the payload and its octets."""
    inputs: frozenset[str]
    """Those of ``sizes`` that were there before the run: raw logs, register, procedures."""


def crate_text(account: Account) -> str:
    """Return the text of ``ro-crate-metadata.json``."""
    files = [_file(path, size, made=path not in account.inputs) for path, size in account.sizes.items()]
    graph = [_descriptor(), _root(account, files), _rights(), *files, *_action(account), *_software(account.software)]
    return json.dumps({"@context": _CONTEXT, "@graph": graph}, indent=1, ensure_ascii=False) + "\n"


def _descriptor() -> Entity:
    return {
        "@id": METADATA,
        "@type": "CreativeWork",
        "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
        "about": {"@id": "./"},
    }


def _root(account: Account, files: list[Entity]) -> Entity:
    what = f"Raw logs, procedures, results and report of the bench tests of airframe {account.airframe}"
    return {
        "@id": "./",
        "@type": "Dataset",
        "name": f"Bench test evidence of airframe {account.airframe}",
        "description": f"{what} ({account.description})." if account.description else f"{what}.",
        "identifier": account.airframe,
        "datePublished": account.ended,
        "license": {"@id": "#rights"},
        "creativeWorkStatus": f"verdict: {account.verdict}",
        "hasPart": [{"@id": f["@id"]} for f in files],
        "mentions": {"@id": "#run"},
        "prov:wasGeneratedBy": {"@id": "#run"},
        "prov:wasAttributedTo": {"@id": "#operator"},
    }


def _rights() -> Entity:
    text = "All rights stay with whoever made the logs; no licence to use them was stated when they were sealed."
    return {"@id": "#rights", "@type": "CreativeWork", "name": "No licence stated", "description": text}


def _file(path: str, size: int, *, made: bool) -> Entity:
    suffix = path[path.rfind(".") :].lower()
    kind = _TYPES.get(suffix) or mimetypes.guess_type(path)[0] or "application/octet-stream"
    entity = {
        "@id": quote(path),
        "@type": "File",
        "name": path.rsplit("/", 1)[-1],
        "contentSize": str(size),
        "encodingFormat": kind,
    }
    return {**entity, "prov:wasGeneratedBy": {"@id": "#run"}} if made else entity


def _action(account: Account) -> list[Entity]:
    used = [{"@id": quote(path)} for path in account.sizes if path in account.inputs]
    made = [{"@id": quote(path)} for path in account.sizes if path not in account.inputs]
    plans = [u for u in used if "/pipelines/" in u["@id"]]
    run = {
        "@id": "#run",
        "@type": ["CreateAction", "prov:Activity"],
        "name": f"Evaluation of the bench tests of airframe {account.airframe}",
        "startTime": account.started,
        "endTime": account.ended,
        "agent": {"@id": "#operator"},
        "instrument": {"@id": "#benchlab"},
        "object": used,
        "result": made,
        "actionStatus": {"@id": "http://schema.org/CompletedActionStatus"},
        "prov:used": used,
        "prov:wasAssociatedWith": [{"@id": "#operator"}, {"@id": "#benchlab"}],
        "prov:qualifiedAssociation": {"@id": "#association"},
    }
    association = {
        "@id": "#association",
        "@type": "prov:Association",
        "prov:agent": {"@id": "#benchlab"},
        "prov:hadPlan": plans,
    }
    operator = {
        "@id": "#operator",
        "@type": ["Person", "prov:Person"],
        "name": account.operator,
        "description": "Name of the computer account in which the archive was made.",
    }
    return [run, association, operator]


def _software(software: Mapping[str, str]) -> list[Entity]:
    others = [name for name in software if name != "benchlab"]
    benchlab = {
        "@id": "#benchlab",
        "@type": ["SoftwareApplication", "prov:SoftwareAgent"],
        "name": "benchlab",
        "version": software["benchlab"],
        "softwareRequirements": [{"@id": f"#{name}"} for name in others],
    }
    return [
        benchlab,
        *({"@id": f"#{n}", "@type": "SoftwareApplication", "name": n, "version": software[n]} for n in others),
    ]
