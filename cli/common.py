"""What every command shares: exit codes, one-line errors, the two consoles, small helpers for paths.

Kept light: nothing here imports numpy, pydantic or the decoder, so that ``headpass --help`` stays quick.
"""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import typer

if TYPE_CHECKING:
    from rich.console import Console

EXIT_DONE = 0
EXIT_TRANSFER_AGAIN = 1
EXIT_FAILED = 2
"""Wrong use, an internal error, or something could not be read; wins over EXIT_TRANSFER_AGAIN."""
EXIT_STOPPED = 130
"""128 + SIGINT, the shells' custom."""
EXIT_TERMINATED = 143
"""128 + SIGTERM."""
TRACE_VARIABLE = "HEADPASS_TRACE"
WIDEST = 100
"""Columns; wider lines are tiring to read."""

Body = TypeVar("Body", bound=Callable[..., None])


def say_error(text: str) -> None:
    """One line on stderr."""
    print(f"headpass: {' '.join(text.split())}", file=sys.stderr, flush=True)


def error_line(error: BaseException, *, about: str = "") -> str:
    """The one line that a failure is told in: the project's own errors as they are, others as internal errors."""
    from detect.errors import HeadpassError

    if isinstance(error, HeadpassError):
        return str(error)
    place = f"{about}: " if about else ""
    if isinstance(error, MemoryError):
        return f"{place}not enough memory; try fewer --workers"
    if isinstance(error, OSError) and error.strerror:
        return f"{place}{error.strerror}" + (
            f" ({error.filename})" if error.filename and str(error.filename) != about else ""
        )
    return (
        f"{place}internal error, {type(error).__name__}: {error} (set {TRACE_VARIABLE}=1 to see where, and report it)"
    )


def show_trace() -> None:
    """The full trace of the exception being handled, where the user asked for it."""
    if os.environ.get(TRACE_VARIABLE):
        import traceback

        traceback.print_exc()


def guarded(body: Body) -> Body:
    """Wrap a command: any failure becomes one line on stderr and its exit code; Ctrl-C becomes 130."""

    @functools.wraps(body)
    def command(*args: Any, **kwargs: Any) -> None:
        try:
            body(*args, **kwargs)
            sys.stdout.flush()
        except (typer.Exit, typer.Abort, typer.BadParameter):
            raise
        except KeyboardInterrupt:
            say_error("stopped; what was finished is complete, nothing is half-written")
            raise typer.Exit(EXIT_STOPPED) from None
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise typer.Exit(EXIT_FAILED) from None
        except Exception as error:
            show_trace()
            say_error(error_line(error))
            raise typer.Exit(EXIT_FAILED) from None

    return command  # type: ignore[return-value]


def out_console() -> Console:
    """Console on stdout, at most WIDEST columns; honours NO_COLOR."""
    from rich.console import Console

    console = Console(highlight=False, soft_wrap=False)
    console.width = min(console.width, WIDEST)
    return console


def progress_console() -> Console:
    """Console on stderr, for progress."""
    from rich.console import Console

    return Console(stderr=True, highlight=False)


@contextmanager
def made_folder(folder: Path) -> Iterator[None]:
    """Make a folder for the time of a task; those newly made go again if the task leaves them empty."""
    from detect.errors import OutputClash

    new = [f for f in (folder, *folder.parents) if not f.exists()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputClash(f"{folder}: cannot be made ({error.strerror}); choose another folder (--out)") from error
    try:
        yield
    finally:
        for made in new:
            try:
                made.rmdir()
            except OSError:
                break
