"""A stream that comes as fast as it can: the memory of its reader is bounded, the loss is
reported."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from helpers import environment
from histories import names_frame
from idlehands.wire import TASKS, encode
from idlehands_monitor.ingest.capture import CaptureWriter

pytestmark = pytest.mark.long

LIVE_MB, EXPLAIN_MB = 300, 500
SECONDS = "8s"
FLOOD = """
import os, socket, sys, time
import numpy as np
from idlehands.wire import TASKS, encode
from fake_probes import hello, names

ROWS, WORKERS = 2000, 2
none = np.full(ROWS, -1, dtype="<i8")

def columns(first, begin, step):
    began = begin + step * np.arange(ROWS)
    values = {"task": first + np.arange(ROWS), "kind": none * 0, "spawned_ns": began}
    values |= {"started_ns": began, "ended_ns": began + step, "outcome": none * 0}
    return {name: values.get(name, none).astype("<i8").tobytes() for name in TASKS.names}

def rows(worker, first, begin, step):
    return encode({"frame": "rows", "pool": 1, "table": "tasks", "complete_ns": -1,
                   "parts": [[worker, first, ROWS]], "columns": columns(first, begin, step)})

def levels(at_ns, ran):
    return encode({"frame": "levels", "pool": 1, "at_ns": at_ns, "inbox": 0, "deques": [0, 0],
                   "workers": [[], []], "misuses": 0, "ran": [ran] * WORKERS, "spawned": -1})

def serve(connection):
    connection.settimeout(5)
    connection.sendall(hello(os.getpid()) + names("flood"))
    first, last = 0, time.monotonic_ns()
    while True:
        now = time.monotonic_ns()
        step = max(1, (now - last) // ROWS)
        sent = b"".join(rows(worker, first, last, step) for worker in range(WORKERS))
        first, last = first + ROWS, now
        connection.sendall(sent + levels(now, first))

with socket.socket(socket.AF_UNIX) as listener:
    listener.bind(f"{sys.argv[1]}/{os.getpid()}.sock")
    listener.listen()
    print(os.getpid(), flush=True)
    listener.settimeout(60)
    while True:
        connection, _ = listener.accept()
        with connection:
            try:
                serve(connection)
            except OSError:
                pass
"""
MEASURED = """
import json, resource, subprocess, sys
done = subprocess.run(sys.argv[1:], capture_output=True, text=True)
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
print(json.dumps([done.returncode, done.stdout, done.stderr, peak / 1024]))
"""


@pytest.fixture
def flooding(tmp_path):
    """A process that sends valid rows as fast as they are taken; its id and its folder."""
    folder = tmp_path / "sockets"
    folder.mkdir(mode=0o700)
    program = subprocess.Popen(
        [sys.executable, "-c", FLOOD, str(folder)],
        env={**environment(folder), "PYTHONPATH": str(Path(__file__).parents[1])},
        stdout=subprocess.PIPE,
        text=True,
    )
    yield program.stdout.readline().strip(), folder
    program.kill()
    program.communicate()


def measured(folder, *command):
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, sys.executable, "-m", "idlehands", *command],
        env=environment(folder),
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout)


def test_watch_keeps_within_300_mb_and_says_what_it_lost(flooding):
    pid, folder = flooding
    status, out, _, peak = measured(folder, "watch", "--no-screen", pid, "--for", SECONDS)
    assert status == 0
    assert peak <= LIVE_MB
    assert "left out" in out.splitlines()[-1]


def test_explain_keeps_within_500_mb_and_says_what_it_left_out(flooding):
    pid, folder = flooding
    status, out, err, peak = measured(folder, "explain", pid, "--for", SECONDS)
    assert status == 0
    assert peak <= EXPLAIN_MB
    assert "left out" in out
    assert "left out" in err


TASKS_EXPORTED, FRAME_ROWS, EXPORT_MB = 1_000_000, 5_000, 500


@pytest.fixture(scope="module")
def million(tmp_path_factory):
    """A capture of a million tasks, most of which spawned another."""
    folder = tmp_path_factory.mktemp("million")
    names = names_frame(2)
    writer = CaptureWriter(folder / "a.idlehands")
    writer.add(0, encode({"frame": "hello", "version": 3, "pid": 7}) + encode(names))
    draw = np.random.default_rng(5)
    for first in range(0, TASKS_EXPORTED, FRAME_ROWS):
        task = first + np.arange(FRAME_ROWS)
        ended = 10_000 * task + draw.integers(5_000, 9_000, FRAME_ROWS)
        values = {"task": task, "parent": task - 1, "kind": 0 * task, "spawned_ns": 9_990 * task}
        values |= {"started_ns": 10_000 * task, "ended_ns": ended, "outcome": 0 * task}
        columns = {
            name: np.asarray(values.get(name, 0 * task - 1), dtype="<i8").tobytes()
            for name in TASKS.names
        }
        part = [first // FRAME_ROWS % 2, first // FRAME_ROWS // 2 * FRAME_ROWS, FRAME_ROWS]
        rows = {"frame": "rows", "pool": 0, "table": "tasks", "parts": [part], "columns": columns}
        writer.add(int(ended[-1]), encode(rows))
    writer.add(int(ended[-1]), encode({**names, "closed_ns": int(ended[-1])}))
    writer.close()
    return folder


@pytest.mark.extra
@pytest.mark.parametrize("form", ["sqlite", "csv", "parquet", "trace", "spans"])
def test_an_export_of_a_million_tasks_keeps_within_500_mb(form, million):
    if form == "parquet":
        pytest.importorskip("pyarrow")
    target = million / f"{form}.out"
    command = ["export", str(million / "a.idlehands"), "--to", form, "-o", str(target)]
    status, _, err, peak = measured(million, *command)
    assert (status, err.count("\n")) == (0, 1 if form != "spans" else 2)
    assert peak <= EXPORT_MB
    if form == "sqlite":
        (count,) = sqlite3.connect(target).execute("SELECT count(*) FROM tasks").fetchone()
        assert count == TASKS_EXPORTED
