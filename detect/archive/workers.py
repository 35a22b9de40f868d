"""Worker processes and their supervision: what a file does to its process ends there.

A worker is a fresh interpreter that takes tasks as JSON lines and answers in JSON lines. It serves several files in
turn, one at a time, and is replaced after any that did not end well. It ends by itself when the one who started it is
gone, even by kill -9: its input then closes.
"""

from __future__ import annotations

import contextlib
import faulthandler
import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import asdict
from typing import IO, Any

import psutil

from detect.archive.task import Result, Task, perform

FILES_PER_WORKER = 50
"""Then a fresh one: what libraries leave behind in memory cannot add up (common practice, no single source)."""
LOOK_S = 0.1
"""How often time and memory of a worker are looked at."""
TELL_S = 1.0
"""How often a worker says how far it is."""
START_S = 120.0
"""Granted besides for starting a worker, compiling included, and for opening the file."""
GRACE_S = 30.0
"""How long after its time limit a worker that nobody stopped ends itself."""
_LAST_LINES = 30
_START = "import json, sys; sys.path[:] = json.loads(sys.argv[1]); from detect.archive.workers import serve; serve()"

Progress = Callable[[dict[str, Any]], None]


class WorkerGone(Exception):
    """The worker process ended without an answer."""


class Worker:
    """One worker process. Use from one thread at a time; ``stop`` may be called from any."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._answers: queue.Queue[dict[str, Any] | None] = queue.Queue()
        self._last_words: deque[str] = deque(maxlen=_LAST_LINES)
        self._files = 0
        self._stopped = threading.Event()
        self.peak_mb = 0.0

    @property
    def pid(self) -> int | None:
        return self._process.pid if self._process else None

    def run(self, task: Task, progress: Progress) -> Result:
        """Have one task done. Never raises for what the file does to the worker."""
        began = time.monotonic()
        try:
            result = self._run(task, progress)
        except OSError as error:
            result = Result("interrupted", f"{task.path}: no worker could be started ({error})")
        facts = result.facts | {"seconds": round(time.monotonic() - began, 3), "peak_mb": round(self.peak_mb, 1)}
        if result.end not in ("done", "no_readings") or self._files >= FILES_PER_WORKER:
            self._end_process()
        return Result(result.end, result.reason, facts, result.detail)

    def _run(self, task: Task, progress: Progress) -> Result:
        if self._stopped.is_set():
            return Result("stopped")
        if self._process is None or self._process.poll() is not None:
            self._start_process()
        process = self._process
        assert process is not None
        assert process.stdin is not None
        self._files += 1
        self.peak_mb = 0.0
        began = time.monotonic()
        limit_s = START_S + task.time_base_s
        watched = _watched(process.pid)
        try:
            process.stdin.write(json.dumps(asdict(task)).encode() + b"\n")
            process.stdin.flush()
        except OSError:
            return self._gone(task)
        while True:
            try:
                answer = self._answers.get(timeout=LOOK_S)
            except queue.Empty:
                answer = {}
            if answer is None:
                return self._gone(task)
            if "end" in answer:
                return Result(**answer)
            if answer:
                if "duration_s" in answer:
                    began, limit_s = time.monotonic(), _limit_s(task, answer)
                progress(answer)
            if self._stopped.is_set():
                return Result("stopped")
            self.peak_mb = max(self.peak_mb, used := _memory_mb(watched))
            if used > task.memory_mb:
                return Result("failed", f"{task.path}: took more than {task.memory_mb:.0f} MB of memory and was stopped")
            if time.monotonic() - began > limit_s:
                return Result("failed", f"{task.path}: not done after {limit_s:.0f} s and was stopped; it hangs, or is very slow")

    def stop(self) -> None:
        """End the process now, and take no more tasks."""
        self._stopped.set()

    def close(self) -> None:
        self._stopped.set()
        self._end_process()

    def _gone(self, task: Task) -> Result:
        process = self._process
        assert process is not None
        code = process.wait()
        detail = " | ".join(self._last_words)
        if code in (-signal.SIGTERM, -getattr(signal, "SIGKILL", 9)):
            return Result("interrupted", f"{task.path}: its worker was ended from outside", detail=detail)
        how = f"by signal {signal.Signals(-code).name}" if code < 0 else f"with status {code}"
        return Result("failed", f"{task.path}: decoding it ended the worker {how}", detail=detail)

    def _start_process(self) -> None:
        self._answers = queue.Queue()
        self._last_words = deque(maxlen=_LAST_LINES)
        self._files = 0
        places = [place or os.getcwd() for place in sys.path]
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", _START, json.dumps(places)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"},
            start_new_session=True,
        )
        threading.Thread(target=_pass_answers, args=(self._process.stdout, self._answers), daemon=True).start()
        threading.Thread(target=_keep_last, args=(self._process.stderr, self._last_words), daemon=True).start()

    def _end_process(self) -> None:
        if self._process is None:
            return
        with contextlib.suppress(OSError):
            self._process.kill()
        self._process.wait()
        with contextlib.suppress(OSError):
            assert self._process.stdin is not None
            self._process.stdin.close()
        self._process = None


def _limit_s(task: Task, said: dict[str, Any]) -> float:
    """From the moment when the worker has opened the file and says how long it is, if it knows."""
    return task.time_base_s + task.time_factor * float(said["duration_s"] or 0.0)


def _pass_answers(stream: IO[bytes], answers: queue.Queue[dict[str, Any] | None]) -> None:
    with stream:
        for line in stream:
            with contextlib.suppress(ValueError):
                answers.put(json.loads(line))
    answers.put(None)


def _keep_last(stream: IO[bytes], lines: deque[str]) -> None:
    with stream:
        for line in stream:
            lines.append(line.decode("utf-8", "replace").strip()[:300])


def _watched(pid: int) -> psutil.Process | None:
    try:
        return psutil.Process(pid)
    except psutil.Error:
        return None


def _memory_mb(process: psutil.Process | None) -> float:
    """Memory held by the worker, MB of 10^6 bytes."""
    if process is None:
        return 0.0
    try:
        return float(process.memory_info().rss) / 1e6
    except psutil.Error:
        return 0.0


def serve() -> None:
    """Body of a worker process: tasks in on stdin, answers out on what was stdout; other prints go to stderr."""
    answers = os.fdopen(os.dup(1), "wb", buffering=0)
    os.dup2(2, 1)
    faulthandler.enable()
    tasks: queue.Queue[bytes] = queue.Queue()
    threading.Thread(target=_take_tasks, args=(tasks,), daemon=True).start()
    while True:
        task = Task(**json.loads(tasks.get()))
        result = _guarded(task, answers)
        answers.write(json.dumps(asdict(result)).encode() + b"\n")


def _take_tasks(tasks: queue.Queue[bytes]) -> None:
    for line in sys.stdin.buffer:
        tasks.put(line)
    os._exit(0)


def _guarded(task: Task, answers: IO[bytes]) -> Result:
    """The task, with a watch that needs no interpreter: with the supervisor gone and the decoder hung it still ends."""
    said = [0.0]
    faulthandler.dump_traceback_later(START_S + task.time_base_s + GRACE_S, exit=True)

    def tell(what: dict[str, Any]) -> None:
        if "duration_s" in what:
            faulthandler.dump_traceback_later(_limit_s(task, what) + GRACE_S, exit=True)
        elif time.monotonic() - said[0] < TELL_S:
            return
        said[0] = time.monotonic()
        answers.write(json.dumps(what).encode() + b"\n")

    try:
        return perform(task, tell)
    finally:
        faulthandler.cancel_dump_traceback_later()


def run_alone(values: dict[str, Any]) -> dict[str, Any]:
    """One task, from and to plain values, in a worker process of its own: what a machine of a cluster does."""
    worker = Worker()
    try:
        return asdict(worker.run(Task(**values), lambda _: None))
    finally:
        worker.close()
