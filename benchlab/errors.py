"""The errors a user can meet: what is wrong, where, and what to do about it."""

from __future__ import annotations


class BenchlabError(Exception):
    """A fault in the input or the usage that ends the work on one file; printed as one line, never as a traceback."""

    def __init__(self, what: str, *, path: str | None = None, line: int | None = None, do: str | None = None) -> None:
        self.what, self.path, self.line, self.do = what, path, line, do
        where = "" if path is None else f"{path}: " if line is None else f"{path}:{line}: "
        super().__init__(f"{where}{what}" + (f"; {do}" if do else ""))


class LogError(BenchlabError):
    """A log that cannot be read as a whole."""


class RegisterError(BenchlabError):
    """An ``airframe.toml`` or a procedure with faults; ``faults`` holds one line for each."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = list(faults)
        super().__init__("\n".join(self.faults))
