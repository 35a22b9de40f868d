# ruff: noqa: RUF001 - typographic signs, as on the page
"""The progress bar of a scan: share done, speed against real time, time left. Silent when not on a terminal."""

from __future__ import annotations

import shutil
import sys
import textwrap
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from cli.common import WIDEST, progress_console

LEAST_SECONDS_FOR_SPEED = 1.0
"""Before this much has gone by, a speed would be a guess (display choice)."""


class Progress:
    """Context in which files are scanned one after the other; ``start`` gives the callback for one file."""

    def __init__(self, *, quiet: bool, files: int) -> None:
        self._console = progress_console()
        self._shown = not quiet and self._console.is_terminal
        self._files = files
        self._number = 0
        self._bar: Any = None
        self._task: Any = None

    def __enter__(self) -> Self:
        if self._shown:
            from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
            from rich.progress import Progress as Bar

            self._bar = Bar(
                TextColumn("{task.description}"),
                BarColumn(bar_width=None),
                TextColumn("{task.percentage:>3.0f} %"),
                TextColumn("{task.fields[speed]}"),
                TimeRemainingColumn(compact=True),
                console=self._console,
                transient=True,
                expand=True,
            )
            self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def start(self, path: Path) -> Callable[[int, int | None], None]:
        """A new file begins: the callback takes frames done and frames expected (None: not known)."""
        self._number += 1
        if self._bar is None:
            return lambda done, expected: None
        self.drop()
        count = f" ({self._number} of {self._files})" if self._files > 1 else ""
        self._task = self._bar.add_task(f"{_short(path.name)}{count}", total=None, speed="")
        began = time.monotonic()
        rate = _pictures_per_s(path)

        def advance(done: int, expected: int | None) -> None:
            speed = _speed(done, seconds=time.monotonic() - began, rate=rate)
            self._bar.update(self._task, completed=done, total=expected, speed=speed)

        return advance

    def drop(self) -> None:
        """Take the present file's bar away."""
        if self._bar is not None and self._task is not None:
            self._bar.remove_task(self._task)
            self._task = None

    def print(self, text: str) -> None:
        """A line of result on stdout, above the bar; folded between words on a terminal, left whole in a pipe."""
        if self._bar is not None:
            self._bar.stop()
        if sys.stdout.isatty():
            width = min(shutil.get_terminal_size((80, 24)).columns, WIDEST)
            text = textwrap.fill(text, width, subsequent_indent="  ", break_long_words=False)
        print(text, flush=True)
        if self._bar is not None:
            self._bar.start()


def _short(name: str, *, longest: int = 28) -> str:
    return name if len(name) <= longest else f"{name[: longest - 9]}…{name[-8:]}"


def _speed(done: int, *, seconds: float, rate: float | None) -> str:
    if seconds < LEAST_SECONDS_FOR_SPEED or not done:
        return ""
    frames_per_s = done / seconds
    return f"{frames_per_s / rate:.1f} × real time" if rate else f"{frames_per_s:.0f} frames/s"


def _pictures_per_s(path: Path) -> float | None:
    """The rate the container states, for the speed figure only."""
    try:
        import av

        with av.open(str(path)) as container:
            rate = container.streams.video[0].average_rate
            return float(rate) if rate else None
    except Exception:
        return None
