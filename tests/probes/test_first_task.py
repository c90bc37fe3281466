"""With its first task a pool can be watched, even where the main thread has ended by then."""

from __future__ import annotations

import pytest

FALLS_OFF_ITS_END = """
import multiprocessing, os, queue, sys, threading, time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

def wait(number):
    # Until the test has attached and says so, with a bound.
    path, deadline = sys.argv[1], time.monotonic() + 30
    while not os.path.exists(path) and time.monotonic() < deadline:
        time.sleep(0.01)
    return number

if __name__ == "__main__":
    POOL
    # Called when the script has run to its end, before any thread is waited for.
    threading._register_atexit(print, "ended", flush=True)
"""
POOLS = {
    "ThreadPoolExecutor": "pool = ThreadPoolExecutor(1); pool.submit(wait, 1)",
    "ProcessPoolExecutor": """
    pool = ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("METHOD"))
    pool.submit(wait, 1)
""",
    "queue": """
    tasks = queue.Queue()
    threading.Thread(target=lambda: [wait(tasks.get()) for _ in range(2)]).start()
    tasks.put(1)
    while tasks.qsize():
        time.sleep(0.001)
    tasks.put(2)
""",
}


@pytest.mark.parametrize("method", ["fork", "spawn"])
@pytest.mark.parametrize("pool", list(POOLS))
def test_a_job_whose_main_thread_has_ended_can_be_attached_to(
    pool, method, start_job, attach, tmp_path, wait_until, folder
):
    if pool != "ProcessPoolExecutor" and method != "fork":
        pytest.skip("starts no process")
    script = FALLS_OFF_ITS_END.replace("POOL", POOLS[pool].replace("METHOD", method))
    done = tmp_path / "done"
    job = start_job(script, str(done))
    assert job.says() == "ended"
    wait_until((folder / f"{job.pid}.sock").exists)
    reader = attach(job.pid)
    reader.take_until(lambda frames: any(frame["frame"] == "names" for frame in frames))
    done.touch()
    assert job.ends() == ""
    assert reader.take_all()[-1]["frame"] == "bye"
