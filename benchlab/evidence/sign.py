"""Signatures in OpenSSH's format, made and checked by ``ssh-keygen -Y`` so that any machine can check them."""

from __future__ import annotations

import base64
import binascii
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from benchlab.errors import BenchlabError

NAMESPACE = "benchlab-evidence"
SUFFIX = ".sig"
_BEGIN, _END = "-----BEGIN SSH SIGNATURE-----", "-----END SSH SIGNATURE-----"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """What checking a signature came to.

    ``unknown``: the signature fits the file, but nobody said whose key it is. ``bad``: it does not fit, is damaged,
    missing though announced, or made with a key that the list of allowed signers does not hold. ``unchecked``: this
    machine has no ``ssh-keygen``.
    """

    status: Literal["none", "unknown", "good", "bad", "unchecked"]
    signer: str | None = None
    text: str


def require_key(key: Path) -> None:
    """Make sure before any long work that a key can be used.

    Raises
    ------
    BenchlabError
        If the key or ``ssh-keygen`` is missing.
    """
    if not key.is_file():
        raise BenchlabError("there is no such key", path=str(key), do="make one with: ssh-keygen -t ed25519 -f FILE")
    if shutil.which("ssh-keygen") is None:
        raise BenchlabError("signing needs ssh-keygen, which is not installed", do="install OpenSSH")


def sign_file(path: Path, key: Path) -> None:
    """Write the signature of a file beside it, with ``.sig`` appended to its name.

    Raises
    ------
    BenchlabError
        If ``ssh-keygen`` refuses, with its own words.
    """
    command = ["ssh-keygen", "-Y", "sign", "-q", "-f", str(key), "-n", NAMESPACE, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0 or not path.with_name(path.name + SUFFIX).is_file():
        what = f"the archive could not be signed ({_said(done)})"
        raise BenchlabError(what, path=str(key), do="check the key and its passphrase")


def check_signature(path: Path, allowed_signers: Path | None, date: str | None) -> Signature:
    """Check the signature beside a file; ``date`` (YYYY-MM-DD) is when it was made, for keys with a term.

    Raises
    ------
    BenchlabError
        If the file of allowed signers does not exist.
    """
    if allowed_signers is not None and not allowed_signers.is_file():
        raise BenchlabError("there is no such file", path=str(allowed_signers), do="give the list of allowed signers")
    signature = path.with_name(path.name + SUFFIX)
    if not signature.is_file():
        return Signature(status="none", text="not signed")
    if not _as_written(signature.read_bytes()):
        return Signature(status="bad", text="the signature file is damaged")
    if shutil.which("ssh-keygen") is None:
        return Signature(status="unchecked", text="signed, but there is no ssh-keygen here to check it")
    fits, key = _run(["check-novalidate"], signature, path)
    if not fits:
        return Signature(status="bad", text=f"the signature does not fit ({key})")
    if allowed_signers is None:
        return Signature(status="unknown", text=f"signed with {_fingerprint(key)}; whose key that is was not checked")
    when = ["-O", f"verify-time={date.replace('-', '')}"] if date and re.fullmatch(r"\d{4}-\d\d-\d\d", date) else []
    listed, names = _run(["find-principals", *when, "-f", str(allowed_signers)], signature, None)
    for name in names.splitlines() if listed else []:
        good, said = _run(["verify", *when, "-f", str(allowed_signers), "-I", name], signature, path)
        if good:
            return Signature(status="good", signer=name, text=f"good signature of {name}, {_fingerprint(said)}")
    return Signature(status="bad", text=f"signed with {_fingerprint(key)}, which is no allowed signer's key")


def _run(what: list[str], signature: Path, signed: Path | None) -> tuple[bool, str]:
    namespace = [] if what[0] == "find-principals" else ["-n", NAMESPACE]
    command = ["ssh-keygen", "-Y", what[0], *namespace, "-s", str(signature), *what[1:]]
    content = b"" if signed is None else signed.read_bytes()
    done = subprocess.run(command, input=content, capture_output=True, check=False)
    text = done.stdout if done.returncode == 0 else done.stderr or done.stdout
    return done.returncode == 0, text.decode("utf-8", "replace").strip()


def _fingerprint(said: str) -> str:
    """Pick the kind of key and its fingerprint out of what ``ssh-keygen`` says."""
    found = re.search(r"(\S+) key (SHA256:\S+)", said)
    return f"{found[1]} key {found[2]}" if found else "a key"


def _said(done: subprocess.CompletedProcess[str]) -> str:
    lines = (done.stderr or done.stdout).strip().splitlines()
    return lines[-1] if lines else f"exit status {done.returncode}"


def _as_written(data: bytes) -> bool:
    """Say whether the armour is exactly as ``ssh-keygen`` writes it: it would read some damaged ones as well."""
    try:
        lines = data.decode("ascii").split("\n")
        body = base64.b64decode("".join(lines[1:-2]), validate=True)
    except (UnicodeDecodeError, binascii.Error):
        return False
    encoded = base64.b64encode(body).decode()
    width = len(lines[1]) if len(lines) > 1 else 0
    folded = [encoded[i : i + width] for i in range(0, len(encoded), width)] if width else []
    return lines == [_BEGIN, *folded, _END, ""]
