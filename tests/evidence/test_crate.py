"""The RO-Crate metadata: read back by the rocrate library, and with the properties that RO-Crate 1.1 requires.

The list of required properties is that of the specification's page on the root data entity (read at the source).
"""

import json
import re
from pathlib import Path
from urllib.parse import unquote

import pytest
from rocrate.rocrate import ROCrate

from benchlab.evidence.package import archive_airframe
from tests.evidence.toy import airframe, run


@pytest.fixture(scope="module")
def bag(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("crate")
    return archive_airframe(airframe(folder / "in"), folder / "out", run=run)


def entities(bag: Path) -> dict[str, dict]:
    return {
        e["@id"]: e for e in json.loads((bag / "data/ro-crate-metadata.json").read_text(encoding="utf-8"))["@graph"]
    }


def test_the_required_properties_are_there(bag):
    graph = entities(bag)
    descriptor, root = graph["ro-crate-metadata.json"], graph["./"]
    assert descriptor["@type"] == "CreativeWork"
    assert descriptor["about"] == {"@id": "./"}
    assert descriptor["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.1"}
    assert root["@type"] == "Dataset"
    assert root["name"]
    assert "2.1 m flying wing" in root["description"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", root["datePublished"])
    assert root["license"]["@id"] in graph


def test_every_payload_file_is_described_and_every_reference_leads_somewhere(bag):
    graph = entities(bag)
    files = {unquote(i) for i, e in graph.items() if e["@type"] == "File"}
    data = bag / "data"
    found = {p.relative_to(data).as_posix() for p in data.rglob("*") if p.is_file()}
    assert files == found - {"ro-crate-metadata.json"}

    def references(x: object) -> list[str]:
        if isinstance(x, dict):
            return [x["@id"]] if set(x) == {"@id"} else [r for v in x.values() for r in references(v)]
        return [r for v in x for r in references(v)] if isinstance(x, list) else []

    local = {r for e in graph.values() for r in references(e) if not r.startswith("http")}
    assert local <= set(graph)


def test_the_action_says_who_ran_what_on_which_logs_with_which_version(bag):
    graph = entities(bag)
    action = graph["#run"]
    assert graph[action["agent"]["@id"]]["name"]
    assert graph[action["instrument"]["@id"]]["version"] == "0.1"
    assert {"@id": "airframe/logs/left.csv"} in action["object"]
    assert {"@id": "results/results.json"} in action["result"]
    assert action["prov:used"] == action["object"]
    assert graph["results/report.html"]["prov:wasGeneratedBy"] == {"@id": "#run"}


def test_the_rocrate_library_reads_it_back(bag):
    crate = ROCrate(bag / "data")
    assert crate.name == "Bench test evidence of airframe K03-021"
    assert crate.get("airframe/logs/tank.csv").type == "File"
    assert crate.get("#run")["instrument"].id == "#benchlab"
