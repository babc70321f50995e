"""Recordings on a Dask cluster: a real scheduler and two workers on this machine's loopback, one of them killed."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from torsionbeat.bench.cluster import analyse_on_cluster
from torsionbeat.errors import DeviceError
from torsionbeat.reading.analysis import Listening
from torsionbeat.reading.figures import Clock
from torsionbeat.twin import Recorder, Room, TwinClock, simulate
from torsionbeat.twin.balance import Balance

distributed = pytest.importorskip("distributed")

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="the processes are ended as on POSIX systems"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # the client's own sockets, closed a moment later
    pytest.mark.filterwarnings("ignore::DeprecationWarning:distributed"),
]

COUNT = 8


def started(*arguments, folder):
    log = (folder / f"{arguments[0]}-{time.monotonic_ns()}.txt").open("w")
    command = [sys.executable, "-m", "dask", *arguments]
    return subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT, cwd=folder)


@pytest.fixture
def cluster(tmp_path):
    """Give a scheduler's address and its two workers' processes."""
    file = tmp_path / "scheduler.json"
    local = ["--host", "127.0.0.1"]
    quiet = ["--no-dashboard"]
    processes = [
        started("scheduler", *local, "--port", "0", *quiet, "--scheduler-file", file, folder=tmp_path)
    ]
    try:
        deadline = time.monotonic() + 60
        while not file.exists() or not file.read_text():
            assert time.monotonic() < deadline, "the scheduler did not start"
            time.sleep(0.1)
        worker = [
            "worker",
            "--scheduler-file",
            file,
            *local,
            "--nworkers",
            "1",
            "--nthreads",
            "1",
            "--no-nanny",
        ]
        processes += [started(*worker, *quiet, folder=tmp_path) for _ in range(2)]
        yield json.loads(file.read_text())["address"], processes[1:]
    finally:
        for process in processes:
            process.kill()
            process.wait()


@pytest.fixture
def recordings(tmp_path):
    """Give recordings of a 6 s clock, and one file that is none."""
    paths = [str(tmp_path / f"night{number}.flac") for number in range(COUNT - 1)]
    simulate(TwinClock(balance=Balance(6.0)), Room(), Recorder(16_000), 60.0, 1).write(Path(paths[0]))
    for path in paths[1:]:
        shutil.copy(paths[0], path)
    (tmp_path / "text.wav").write_text("not a sound")
    return [*paths, str(tmp_path / "text.wav")]


def test_a_worker_killed_in_the_middle_loses_nothing(cluster, recordings):
    address, workers = cluster
    shares, killed = [], threading.Event()

    def progress(share):
        shares.append(share)
        if not killed.is_set() and len(shares) == 2:
            workers[0].kill()
            killed.set()

    outcomes = analyse_on_cluster(address, recordings, Clock(nominal_period_s=6.0), Listening(), progress)
    assert killed.is_set()
    assert [outcome.path for outcome in outcomes] == recordings
    assert shares == [(number + 1) / COUNT for number in range(COUNT)]
    for outcome in outcomes[:-1]:
        assert outcome.error is None
        assert outcome.analysis.reading.period_s.nominal_value == pytest.approx(6.0, rel=1e-4)
    assert outcomes[-1].analysis is None
    assert "text.wav is not a sound file" in str(outcomes[-1].error)
    assert outcomes[-1].error.exit_status == 2


def test_a_cluster_that_does_not_answer_is_told(monkeypatch):
    monkeypatch.setattr("torsionbeat.bench.cluster.PATIENCE_S", 1)
    with pytest.raises(DeviceError, match=r"no cluster answers at tcp://127.0.0.1:9 "):
        analyse_on_cluster("tcp://127.0.0.1:9", ["x.flac"], Clock(), Listening())
