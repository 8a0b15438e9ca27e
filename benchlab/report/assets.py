"""The files that ship with the report: style, script and the plotly.js bundle, with their checksums."""

from __future__ import annotations

import base64
import gzip
import hashlib
from importlib.resources import files

from benchlab.report import look

PLOTLY_VERSION = "4.1.1"
BUNDLE = f"plotly-cartesian-{PLOTLY_VERSION}.min.js.gz"
"""plotly.js cartesian bundle (MIT licence), gzipped once: the page's bytes then do not depend on a machine's zlib."""


def text(name: str) -> str:
    """Return a file of ``static/`` as text."""
    return files("benchlab.report").joinpath("static", name).read_text(encoding="utf-8")


def bundle() -> bytes:
    """Return the gzipped plotly bundle."""
    return files("benchlab.report").joinpath("static", BUNDLE).read_bytes()


def bundle_base64() -> str:
    """Return the gzipped bundle as text for the page."""
    return base64.b64encode(bundle()).decode("ascii")


def style() -> str:
    """Return the style sheet with the colours of both modes put in."""
    light = "".join(f"--{k}:{v};" for k, v in look.LIGHT.items())
    dark = "".join(f"--{k}:{v};" for k, v in look.DARK.items())
    return text("style.css").replace("/*light*/", light).replace("/*dark*/", dark)


def content_policy(*scripts: str) -> str:
    """Return a content security policy that lets only these scripts run and no request leave the page.

    Scripts are named by checksum (CSP level 3), so that nothing a log smuggled in could run even if it were not
    escaped. Styles stay open because plotly sets its own.
    """
    hashes = " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" for s in scripts)
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data: blob:; "
        "connect-src 'none'; base-uri 'none'; form-action 'none'"
    )


def plotly_source() -> str:
    """Return the unpacked plotly bundle."""
    return gzip.decompress(bundle()).decode("utf-8")
