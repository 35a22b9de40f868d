"""The same work on a cluster that Dask distributed manages (optional extra ``cluster``): a file a task.

Every machine needs the same headpass, and the transfers and the output folder under the same paths.
"""

from __future__ import annotations

import time
from dataclasses import asdict
from typing import Any

from detect.archive.task import Result, Task
from detect.archive.workers import run_alone
from detect.errors import BadSettings, HeadpassError

CONNECT_S = 15.0
"""How long the scheduler may take to answer."""
AHEAD = 2
"""Tasks given out per thread of the cluster, so that none waits for the next."""


class ClusterTrouble(HeadpassError):
    """The scheduler cannot be reached, or was lost."""


class ClusterCrew:
    """Tasks through a Dask scheduler at ``address``. Raises BadSettings without the extra, else ClusterTrouble."""

    def __init__(self, address: str) -> None:
        try:
            import distributed

            client: Any = distributed.Client
        except ImportError as error:
            raise BadSettings("--cluster needs the extra: pip install 'headpass[cluster]'") from error
        try:
            self._client: Any = client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise ClusterTrouble(f"{address}: no scheduler answers there ({error}); start one, or leave --cluster out") from error
        self._address = address
        self._pending: dict[str, Any] = {}
        self._count = 0

    @property
    def slots(self) -> int:
        threads: int = sum(self._client.nthreads().values())
        return AHEAD * max(1, threads)

    def start(self, place: str, task: Task) -> None:
        self._count += 1
        self._pending[place] = self._client.submit(
            run_alone, asdict(task), key=f"headpass-{self._client.id}-{self._count}", pure=False, retries=0
        )

    def finished(self, *, timeout_s: float) -> list[tuple[str, Result]]:
        until = time.monotonic() + timeout_s
        while True:
            done = [(place, future) for place, future in self._pending.items() if future.status != "pending"]
            if done or time.monotonic() >= until:
                break
            if self._client.status not in ("running", "connecting"):
                raise ClusterTrouble(f"{self._address}: the scheduler was lost; start it and run the same command again")
            time.sleep(0.05)
        return [(place, self._result(place)) for place, _ in done]

    def _result(self, place: str) -> Result:
        future = self._pending.pop(place)
        if future.status == "finished":
            return Result(**future.result())
        if future.status == "error":
            error = future.exception()
            if type(error).__name__ == "KilledWorker":
                return Result("failed", f"{place}: every machine that tried it was lost")
            return Result("failed", f"{place}: {type(error).__name__}: {error}")
        return Result("interrupted", f"{place}: the cluster let go of it")

    def close(self) -> None:
        for future in self._pending.values():
            future.cancel()
        self._client.close()
