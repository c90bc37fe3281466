"""A socket in the folder that sends what no probe would send does not disturb the readers of the
others."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from fake_probes import FakeProbe, hello, names, saying
from helpers import environment, idlehands, wait_until
from histories import History, levels_frame
from idlehands.wire import encode

POOL = """
import time
import idlehands
probe = idlehands.declare_pool("berth", workers=1)
worker = probe.worker(0)
worker.bind()
while True:
    worker.running(worker.spawned("tick"))
    time.sleep(0.002)
    worker.finished()
"""
INFINITE = float("inf")
FIRST_PID = 17
ROWS = {"frame": "rows", "pool": 1, "table": "tasks", "worker": 0, "first": 0, "rows": 1}
STREAMS = {
    "an infinite process": [{"frame": "from", "pid": INFINITE}],
    "a worker past 64 bits": [{**ROWS, "parts": [[2**63, 0, 1]], "columns": {}}],
    "columns in a list": [{**ROWS, "columns": []}],
    "an infinite moment": [{**levels_frame(History(1, 5)), "pool": 1, "at_ns": INFINITE}],
    "names of no text": [{"frame": "names", "pool": 1, "name": {}, "workers": INFINITE}],
    "names of a pool of lists": [{"frame": "names", "pool": [], "name": "", "workers": 1}],
}


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "sockets"
    path.mkdir(mode=0o700)
    return path


@pytest.fixture
def berth(folder):
    """A pool of this user's, by its process id."""
    process = subprocess.Popen([sys.executable, "-c", POOL], env=environment(folder))
    wait_until((folder / f"{process.pid}.sock").exists, "its socket")
    yield process.pid
    process.kill()
    process.wait()


@pytest.fixture
def hostile(folder):
    """Sockets beside it that say hello as a probe does and then something else, by what that is."""
    probes = {}
    for pid, (what, frames) in enumerate(STREAMS.items(), FIRST_PID):
        stream = [hello(pid), *map(encode, frames), names("hostile")]
        probes[what] = FakeProbe(folder / f"{pid}.sock", saying(*stream))
    yield probes
    for probe in probes.values():
        probe.close()


@pytest.mark.usefixtures("hostile")
def test_the_pools_beside_hostile_sockets_are_listed(folder, berth):
    done = idlehands("pools", "--json", folder=folder)
    assert done.returncode == 0
    assert "Traceback" not in done.stderr
    listed = {process["pid"]: process["pools"] for process in json.loads(done.stdout)}
    assert [pool["name"] for pool in listed[berth]] == ["berth"]
    assert len(listed) == 1 + len(STREAMS)


@pytest.mark.long
@pytest.mark.usefixtures("hostile", "berth")
@pytest.mark.parametrize("command", ["watch", "explain", "capture"])
def test_the_pools_beside_hostile_sockets_are_read(folder, tmp_path, command):
    options = {
        "watch": ["--no-screen", "--for", "1s"],
        "explain": ["--for", "1s"],
        "capture": ["--for", "1s", "-o", tmp_path / "a.idlehands"],
    }[command]
    done = idlehands(command, "berth", *options, folder=folder)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    if command != "capture":
        assert "berth" in done.stdout


@pytest.mark.long
@pytest.mark.parametrize("what", STREAMS)
def test_a_hostile_socket_that_is_watched_itself_ends_in_no_traceback(folder, hostile, what):
    pid = hostile[what].path.stem
    done = idlehands("explain", pid, "--for", "1s", folder=folder)
    assert "Traceback" not in done.stderr
    assert done.returncode in (0, 3)
