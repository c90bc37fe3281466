"""What becomes of a capture when its writer is killed or the disk is full: nothing is lost.

The long tests are those of `pytest -m extra`.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import time

import pytest

from helpers import environment, wait_until
from idlehands_monitor.ingest.capture import CaptureReader
from idlehands_monitor.session.opening import read_target

SECOND = 1_000_000_000
WRITING = """
import sys, time
sys.path[:0] = sys.argv[2].split(":")
from histories import History, levels_frame, names_frame
from idlehands.wire import encode
from idlehands_monitor.ingest.intake import Intake, made

intake = Intake()
intake.start_capture(sys.argv[1], most_bytes=int(sys.argv[3]) or None)
intake.take(made({"frame": "hello", "version": 3, "pid": 1}) + made(names_frame(1)), 1)
print("writes", flush=True)
while True:
    now = time.monotonic_ns()
    intake.take(made({**levels_frame(History(1, 10)), "at_ns": now}), 1)
    intake.take(made({"frame": "bye", "reason": sys.argv[4] * 50}), 2)
    time.sleep(0.005)
"""
"""A stream of levels, each with the time at which it was handed to the capture."""


def times(path):
    """The times of the levels in a capture."""
    from idlehands.wire import Decoder

    return [
        frame["at_ns"]
        for block in CaptureReader(path)
        for frame in Decoder().feed(block.frames)
        if frame["frame"] == "levels"
    ]


@contextlib.contextmanager
def writing(path, most_bytes=0):
    folders = ":".join(one for one in sys.path if "tests" in one)
    process = subprocess.Popen(
        [sys.executable, "-c", WRITING, str(path), folders, str(most_bytes), "x"],
        stdout=subprocess.PIPE,
    )
    try:
        assert process.stdout.readline() == b"writes\n"
        yield process
    finally:
        process.kill()
        process.communicate()


def kill_at_random(folder, kills, most_bytes=0):
    """Kill a writer at random moments; return how long before it the capture that is left ends."""
    draw, lost = random.Random(1), []
    for number in range(kills):
        path = folder / f"{number}.idlehands"
        with writing(path, most_bytes) as process:
            time.sleep(draw.uniform(0.0, 3.0 if draw.random() < 0.2 else 1.2))
            process.send_signal(signal.SIGKILL)
            killed_ns = time.monotonic_ns()
            process.wait()
        assert not path.exists()
        part = path.with_name(f"{path.name}.part")
        reader = CaptureReader(part)
        for _ in reader:
            pass
        assert reader.warning, "it says that it is not complete"
        lost.append(killed_ns - max(times(part), default=killed_ns))
        part.unlink()
    return lost


def test_a_writer_killed_at_random_moments_loses_no_more_than_the_last_second(tmp_path):
    assert max(kill_at_random(tmp_path, 5)) < SECOND


@pytest.mark.extra
@pytest.mark.timeout(900)
@pytest.mark.parametrize("most_bytes", [0, 1 << 20], ids=["any size", "at most 1 MiB"])
def test_a_writer_killed_at_200_random_moments_loses_no_more_than_the_last_second(
    tmp_path, most_bytes
):
    lost = kill_at_random(tmp_path, 200 if not most_bytes else 50, most_bytes)
    assert max(lost) < SECOND


JOB = """
import time
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    list(pool.map(int, range(200)))
    time.sleep(1.5)  # these are in a block of their own, for which there is room
    for _ in range(400):
        list(pool.map(int, range(200)))
print("all done")
"""


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 64 KB."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["/bin/mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)]
    if os.geteuid() != 0 or subprocess.run(mount, check=False, capture_output=True).returncode:
        pytest.skip("only root can mount a small disk")
    yield place
    subprocess.run(["/bin/umount", "-l", str(place)], check=True)


def test_a_full_disk_is_survived_by_the_job_and_the_recorder_and_leaves_a_capture(
    small_disk, tmp_path
):
    sockets, script = tmp_path / "sockets", tmp_path / "job.py"
    sockets.mkdir(mode=0o700)
    script.write_text(JOB)
    file = small_disk / "job.idlehands"
    done = subprocess.run(
        [sys.executable, "-m", "idlehands", "run", "--capture", str(file), str(script)],
        env=environment(sockets),
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, "all done\n")
    assert done.stderr.count("\n") == 1
    assert f"capture stopped: {file}: No space left on device" in done.stderr
    wait_until(file.exists, "the capture's name")
    assert os.listdir(small_disk) == ["job.idlehands"]
    reading = read_target(str(file), 0.0, causes=False)
    assert reading.pools[0].tasks.finished >= 200
    assert "did not finish it" in reading.source.warning


def test_a_folder_that_cannot_be_written_is_a_line_and_no_job_is_started(tmp_path):
    sockets, script = tmp_path / "sockets", tmp_path / "job.py"
    sockets.mkdir(mode=0o700)
    script.write_text("print('ran')")
    done = subprocess.run(
        [sys.executable, "-m", "idlehands", "run", "--capture", "/proc/a.idlehands", str(script)],
        env=environment(sockets),
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("idlehands run: /proc/a.idlehands: ")
    assert done.stderr.count("\n") == 1
