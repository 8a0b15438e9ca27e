"""Logs that name every value where it stands ("t=0.1 s; I=1.2 A"), as small programs print them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

_SAMPLE_LINES = 200
_LABEL = re.compile(
    r"(?:^|(?<=[\s,;|]))([^\W\d](?:[\w\[\]()/%°µ.\-]|(?<=\w) (?=[^\W\d]))*)\s*[:=]\s*"
    r"(?=[-+−]?[.,]?\d|nan\b|inf\b|ol\b|---)",
    re.IGNORECASE,
)


def find_labels(lines: Sequence[str]) -> tuple[str, ...]:
    """Return the labels that nearly every line repeats in one order; empty where the log is not of that form."""
    sample = [x for x in lines if x.strip()][-_SAMPLE_LINES:]
    found = Counter(tuple(_LABEL.findall(x)) for x in sample)
    found.pop((), None)
    if not found:
        return ()
    labels, count = found.most_common(1)[0]
    return labels if count >= 3 and count * 10 >= 9 * len(sample) and len(set(labels)) == len(labels) else ()


def label_pattern(labels: Sequence[str], encoding: str) -> re.Pattern[bytes]:
    """Return what a line with these labels looks like; its groups are the values."""
    values = [rf"{re.escape(x)}[ \t]*[:=][ \t]*([^\n]*?)" for x in labels]
    return re.compile((r"^[ \t]*" + r"[ \t,;|]+".join(values) + r"[ \t,;|]*$").encode(encoding, "ignore"), re.MULTILINE)


def without_labels(block: bytes, pattern: re.Pattern[bytes]) -> bytes:
    """Return the block with the values alone, set apart by tabs; a line of another form stays as it is."""
    return pattern.sub(rb"\t".join(rb"\%d" % (i + 1) for i in range(pattern.groups)), block)
