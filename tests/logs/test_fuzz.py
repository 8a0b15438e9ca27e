"""Damaged logs end in rows kept + rejected = data rows, or in one line (100 000 more in tests/benchmarks)."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from benchlab.errors import LogError
from benchlab.logs.describe import as_json
from benchlab.logs.dialect import is_blank, is_comment, split
from benchlab.logs.labelled import without_labels
from benchlab.logs.reader import LogReader, read_log, read_whole
from benchlab.logs.screen import as_text
from benchlab.procedure import Procedures
from tests.logs.log_mutator import damaged, samples


def data_rows(reader: LogReader, content: bytes) -> int:
    """Count the data rows as DESIGN section 5 defines them, from the bytes and nothing but the dialect found."""
    encoding, d = reader.encoding, reader.dialect
    text = content.decode(encoding.name if encoding.wide else reader.final_encoding, "replace")
    text = text.removeprefix("\ufeff").removeprefix("ï»¿")
    text = text.replace("\r\n", "\n").replace("\r", " " if "\n" in text else "\n")
    text = re.sub("[\0\x1a\ufeff]", "", text)
    if reader.labels is not None:
        text = without_labels(text.encode(), reader.labels).decode()
    rows = 0
    for line in text.split("\n")[(d.first_data_line or 1) - 1 :]:
        if not line.strip() or (d.comments and is_comment(line)):
            continue
        cells = split(line, d.delimiter)
        again = tuple(c.strip() for c in cells) in (d.header_cells, d.units_cells)
        rows += not is_blank(cells) and not again
    return rows


def fault_of(content: bytes, path: Path, procedures: Procedures) -> str | None:
    """Read a damaged log; return what went wrong with the reader, None if nothing did."""
    path.write_bytes(content)
    try:
        reader = LogReader(path, name="log", procedures=procedures)
        log = read_whole(reader)
        as_json(log)
        as_text(log)
        expected = data_rows(reader, content)
    except LogError as error:
        return None if "\n" not in str(error) else f"more than one line: {error}"
    if log.rows + log.rows_rejected != expected:
        return f"{log.rows} kept + {log.rows_rejected} rejected, but {expected} data rows"
    if len(log.rejected) != log.rows_rejected:
        return f"{len(log.rejected)} rejected rows listed, {log.rows_rejected} counted"
    return None


@pytest.mark.parametrize("seed", range(60))
def test_no_row_is_lost_or_invented(tmp_path: Path, procedures: Procedures, seed: int) -> None:
    rng = np.random.default_rng(seed)
    for log in samples():
        assert fault_of(damaged(log, rng), tmp_path / "log", procedures) is None


def test_the_sound_samples_are_read_whole(tmp_path: Path, procedures: Procedures) -> None:
    for log in samples():
        assert fault_of(log, tmp_path / "log", procedures) is None
        assert read_log(tmp_path / "log", name="log", procedures=procedures).rows_rejected == 0
