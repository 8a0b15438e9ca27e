"""What every command shares on the terminal: errors in one voice, and what is being done while it is done."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import typer

from benchlab.errors import BenchlabError

if TYPE_CHECKING:
    from benchlab.pace import Progress


def say_error(message: str) -> None:
    """Print one error in the program's voice."""
    print(f"benchlab: {message}", file=sys.stderr)


def complain(error: BenchlabError) -> None:
    """Print an error of the input, a line for each fault."""
    for line in str(error).splitlines():
        say_error(line)


@contextmanager
def errors() -> Iterator[None]:
    """Turn an error of the input into its lines and exit status 2, and Ctrl-C into one line."""
    try:
        yield
    except BenchlabError as error:
        complain(error)
        raise typer.Exit(2) from None
    except KeyboardInterrupt:
        say_error("stopped; nothing half-written was left behind")
        raise typer.Exit(130) from None


@contextmanager
def progress_on_terminal(silent: bool) -> Iterator[Progress]:
    """Give a function that tells what is being done: a moving line on a terminal, nothing when piped."""
    from benchlab import pace

    if silent or not sys.stderr.isatty():
        yield pace.silent
        return
    import time

    from rich.console import Console
    from rich.live import Live
    from rich.spinner import Spinner
    from rich.text import Text

    begun = time.monotonic()
    spinner = Spinner("dots", "starting", style="green")
    with Live(spinner, console=Console(stderr=True), transient=True, auto_refresh=False) as live:

        def tell(what: str, share: float | None = None) -> None:
            # as plain text: a file's name may look like markup
            spinner.update(text=Text(pace.words(what, share, time.monotonic() - begun)))
            live.refresh()

        yield tell
