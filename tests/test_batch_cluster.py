"""The same work through a real Dask scheduler and two worker processes on loopback."""

from __future__ import annotations

import os
import signal
import threading
import time
from pathlib import Path

import pytest

from detect.archive.cluster import ClusterTrouble
from detect.archive.run import run_batch
from tests.test_batch import batch, outputs, tapes

distributed = pytest.importorskip("distributed", reason="the extra cluster is not installed")


@pytest.fixture
def cluster():
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, silence_logs=50
    ) as started:
        yield started


@pytest.mark.long
@pytest.mark.filterwarnings("ignore::ResourceWarning")  # sockets of the worker that is killed
@pytest.mark.parametrize("killed", [False, True])
def test_a_cluster_gives_what_this_machine_gives_also_without_a_worker(cluster, tmp_path: Path, killed) -> None:
    folder = tapes(tmp_path / "in", 10, name="slow")
    (folder / "crash.mkv").write_bytes(b"x")
    here, there = tmp_path / "here", tmp_path / "there"
    alone = run_batch(batch(folder, here))

    def kill_one() -> None:
        while not list(there.glob("*.findings.json")):
            time.sleep(0.05)
        os.kill(next(iter(cluster.workers.values())).pid, signal.SIGKILL)

    killer = threading.Thread(target=kill_one)
    if killed:
        killer.start()
    shared = run_batch(batch(folder, there, cluster=cluster.scheduler_address))
    if killed:
        killer.join()
    assert (shared.done, shared.transfer_again, shared.failed) == (alone.done, alone.transfer_again, alone.failed)
    assert shared.done == 10
    assert outputs(there) == outputs(here)


def test_an_address_without_a_scheduler_is_told_in_one_line(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("detect.archive.cluster.CONNECT_S", 0.3)
    with pytest.raises(ClusterTrouble, match="no scheduler answers"):
        run_batch(batch(tapes(tmp_path / "in", 1), tmp_path / "out", cluster="tcp://127.0.0.1:9"))
