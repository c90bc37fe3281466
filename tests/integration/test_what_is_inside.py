"""What a stream and a capture contain of a job; they never contain the job's data."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from helpers import draft_of, environment, wait_until
from idlehands.wire import Decoder
from idlehands_monitor.ingest.capture import CaptureReader

pytestmark = pytest.mark.long

JOB = """
import os, queue, sys, threading
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

class Crate:
    def __init__(self, mark):
        self.mark = mark
    def __repr__(self):
        return f"Crate({self.mark})"

def unload(crate, note=""):
    local = "local-" + crate.mark
    if "raise" in crate.mark:
        raise ValueError("exception-" + local)
    return "result-" + crate.mark

def serve():
    while (item := work.get()) is not None:
        unload(item)

work = queue.Queue()
threading.Thread(target=serve, name="quay", daemon=True).start()

if __name__ == "__main__":
    mark = os.environ["CARGO"]
    pools = ThreadPoolExecutor(1, thread_name_prefix="berth"), ProcessPoolExecutor(1)
    for pool in pools:
        pool.submit(unload, Crate(mark), note=mark).result()
    print("ready", flush=True)
    sys.stdin.readline()
    for _ in range(50):
        for pool in pools:
            pool.submit(unload, Crate(mark), note=mark).result()
            pool.submit(unload, Crate(mark + "raise")).exception()
        work.put(Crate(mark))
    for pool in pools:
        pool.shutdown()
"""
MARK = "xylographic-4711"


def test_a_capture_holds_names_and_times_and_nothing_that_the_job_works_on(tmp_path):
    folder, script, file = tmp_path / "sockets", tmp_path / "job.py", tmp_path / "job.idlehands"
    folder.mkdir(mode=0o700)
    script.write_text(JOB)
    job = subprocess.Popen(
        [sys.executable, "-m", "idlehands", "run", str(script)],
        env=environment(folder, CARGO=MARK),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert job.stdout.readline() == "ready\n"
        capturing = subprocess.Popen(
            [sys.executable, "-m", "idlehands", "capture", str(job.pid), "-o", str(file)],
            env=environment(folder),
            stderr=subprocess.DEVNULL,
        )
        wait_until(draft_of(file).exists, "the capture")
        job.communicate("go\n", timeout=60)
        assert capturing.wait(60) == 0
    finally:
        job.kill()
        job.communicate()
    inside = b"".join(block.frames for block in CaptureReader(file))
    kinds = {frame["frame"] for frame in Decoder().feed(inside)}
    assert {"hello", "names", "rows", "levels"} <= kinds
    assert b"unload" in inside  # the function's name
    assert b"berth" in inside  # the threads' name
    assert os.fsencode(script) in inside
    assert b"Crate" in inside  # the type of what was put into the queue
    assert b"Crate(" not in inside  # and never what it says of itself
    assert MARK.encode() not in inside
    assert b"exception-" not in inside
