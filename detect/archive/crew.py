"""Those who do the work: worker processes of this machine, or a cluster, behind the same three calls."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from typing import Any, Protocol

from detect.archive.task import Result, Task
from detect.archive.workers import Worker

Told = Callable[[str, dict[str, Any]], None]


class Crew(Protocol):
    """``slots`` tasks can be under way at once."""

    @property
    def slots(self) -> int: ...

    def start(self, place: str, task: Task) -> None: ...

    def finished(self, *, timeout_s: float) -> list[tuple[str, Result]]: ...

    def close(self) -> None: ...


class LocalCrew:
    """``slots`` threads, each with one worker process. What workers tell meanwhile is passed on by ``finished``."""

    def __init__(self, slots: int, *, told: Told = lambda place, what: None) -> None:
        self.slots = slots
        self._told = told
        self._tasks: queue.Queue[tuple[str, Task] | None] = queue.Queue()
        self._news: queue.Queue[tuple[str, Result | dict[str, Any]]] = queue.Queue()
        self._workers = [Worker() for _ in range(slots)]
        self._threads = [threading.Thread(target=self._serve, args=(worker,), daemon=True) for worker in self._workers]
        for thread in self._threads:
            thread.start()

    def _serve(self, worker: Worker) -> None:
        while (given := self._tasks.get()) is not None:
            place, task = given

            def pass_on(what: dict[str, Any], place: str = place) -> None:
                self._news.put((place, what))

            try:
                result = worker.run(task, pass_on)
            except Exception as error:
                result = Result("failed", f"{task.path}: internal error, {type(error).__name__}: {error}")
            self._news.put((place, result))

    def start(self, place: str, task: Task) -> None:
        self._tasks.put((place, task))

    def finished(self, *, timeout_s: float) -> list[tuple[str, Result]]:
        """Results that came in; waits for the first news, at most ``timeout_s``."""
        done: list[tuple[str, Result]] = []
        until = time.monotonic() + timeout_s
        while True:
            try:
                place, what = self._news.get(timeout=max(0.0, 0.0 if done else until - time.monotonic()))
            except queue.Empty:
                return done
            if isinstance(what, Result):
                done.append((place, what))
            else:
                self._told(place, what)

    def close(self) -> None:
        """End all workers at once, also in the middle of a file."""
        for worker in self._workers:
            worker.stop()
            self._tasks.put(None)
        for thread in self._threads:
            thread.join()
        for worker in self._workers:
            worker.close()
