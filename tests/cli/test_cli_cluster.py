"""The same records from a cluster as from one process, whatever becomes of its workers."""

from __future__ import annotations

import json
import os
import signal
import sys
from threading import Thread

import pytest
from apart import PATIENCE_S
from held import until
from mutated import mutated_packages

from fabkit.base.errors import UsageError
from fabkit.outputs import cluster
from fabkit.outputs.judged import Settings, judge_given
from fabkit.outputs.many import judge_many, on_cluster

SETTINGS = Settings()
COUNT = 10
"""Packages of this test; tests/bench/many_packages.py does the same with 200 and with the demo."""


@pytest.fixture
def local():
    """A cluster of two worker processes on this machine, as Dask starts them by default."""
    import dask
    from distributed import LocalCluster

    patient = {f"distributed.comm.timeouts.{what}": f"{PATIENCE_S}s" for what in ("connect", "tcp")}
    with (
        dask.config.set(patient),
        LocalCluster(
            n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0"
        ) as made,
    ):
        yield made


def kill_a_worker(local):
    """End a worker that has a package, without a word (its watcher starts another one).

    All stand still until one is chosen: none is done with what it has before it ends.
    """
    workers = {w.name: w for w in local.scheduler.workers.values()}
    pids = {name: local.workers[name].pid for name in workers}
    for pid in pids.values():
        os.kill(pid, signal.SIGSTOP)

    def end_one():
        try:
            busy = until(lambda: [n for n, w in workers.items() if w.processing], "a busy worker")
            os.kill(pids.pop(busy[0]), signal.SIGKILL)
        finally:
            for pid in pids.values():
                os.kill(pid, signal.SIGCONT)

    # What they are given next is given by whoever asked for the death.
    ending = Thread(target=end_one)
    ending.start()
    return ending


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_nothing_is_lost_or_done_twice_when_a_worker_dies(local, tmp_path, monkeypatch):
    """A worker is killed in the middle: each package is one record, as one process gives it."""
    monkeypatch.setattr(cluster, "MOST_IN_FLIGHT", 6)
    monkeypatch.setattr(cluster, "_PATIENCE_SECONDS", PATIENCE_S)
    paths = mutated_packages(tmp_path / "shelf", COUNT)
    out = tmp_path / "out.jsonl"
    most, deaths = [], []

    def engine(*given):
        for number, record in enumerate(on_cluster(local.scheduler_address)(*given)):
            states = [task.state for task in local.scheduler.tasks.values()]
            most.append(len(states) - states.count("memory"))
            if number == COUNT // 3:
                deaths.append(kill_a_worker(local))
            yield record
        deaths[0].join()

    rows = judge_many(paths, SETTINGS, engine=engine, seconds=PATIENCE_S, ledger=out)
    found = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    by_name = {record.pop("package"): record for record in found}

    assert len(rows) == len(found) == len(by_name) == COUNT
    assert max(most) <= 6, "so many at once, however many wait"
    for path in paths:
        alone = json.loads(json.dumps(judge_given(path.read_bytes(), SETTINGS, source=str(path))))
        got = by_name[alone.pop("package")]
        assert got.pop("seconds") >= 0
        assert got == alone


@pytest.mark.parametrize(
    "address", ["tcp://10.0.0.1:8786", "scheduler.example:8786", "ws://192.0.2.1:1", "nonsense"]
)
def test_a_cluster_that_anybody_can_listen_to_is_refused(address):
    """Only what is encrypted or ends on this machine may send us code (RFC 5737, RFC 2606)."""
    with pytest.raises(UsageError, match="neither on this machine nor encrypted"):
        on_cluster(address)


def test_wrong_calls_are_one_line(run, tmp_path, monkeypatch):
    """No scheduler, no extra, or both ways at once: what is wrong, and what to do."""
    monkeypatch.setattr(cluster, "_PATIENCE_SECONDS", 0.2)
    (path,) = mutated_packages(tmp_path / "shelf", 1)
    call = ("check", path, "--cluster", "127.0.0.1:9")
    told = run(*call, status=2).output
    assert "there is no Dask scheduler at 127.0.0.1:9" in told
    assert "--jobs is for this machine" in run(*call, "--jobs", "2", status=2).output
    monkeypatch.setitem(sys.modules, "distributed", None)
    told = run(*call, status=2).output

    assert "pip install 'fabkit[cluster]'" in told
    assert len(told.splitlines()) == 2
