"""Jobs as people run them: `idlehands run`, captured and explained by the commands themselves.

``JOBS_PYTHON`` names another Python to run them with, which must have msgpack.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import idlehands as probe
from helpers import draft_of, environment, idlehands, wait_until

PYTHON = os.environ.get("JOBS_PYTHON", sys.executable)
SOURCES = str(Path(probe.__file__).parent.parent)


class Job:
    """A job under `idlehands run` and the lines it and the test say to each other."""

    def __init__(self, script, folder, *arguments, **variables):
        self.process = subprocess.Popen(
            [PYTHON, "-m", "idlehands", "run", str(script), *arguments],
            env=environment(folder, PYTHONPATH=SOURCES, **variables),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.pid = self.process.pid

    def says(self):
        return self.process.stdout.readline().strip()

    def tell(self, line):
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()


@pytest.fixture
def start(tmp_path):
    """Run a script with arguments to the test's end; return it as a job, and its socket folder."""
    folder = tmp_path / "sockets"
    folder.mkdir(mode=0o700)
    started = []

    def run(text, *arguments):
        script = tmp_path / "job.py"
        script.write_text(text)
        started.append(Job(script, folder, *arguments))
        return started[-1], folder

    yield run
    for job in started:
        job.process.kill()
        job.process.communicate()


@contextlib.contextmanager
def capturing(tmp_path):
    """Give a function that runs a script with a capture of all of it.

    It returns what the script said after "ready", the explanation as a document, and as text.
    """
    folder = tmp_path / "sockets"
    folder.mkdir(mode=0o700)
    started = []

    def run(text, *arguments, **variables):
        script = tmp_path / "job.py"
        script.write_text(text)
        job = Job(script, folder, *arguments, **variables)
        started.append(job.process)
        assert job.says() == "ready"
        file = tmp_path / f"job-{len(started)}.idlehands"
        capture = subprocess.Popen(
            [sys.executable, "-m", "idlehands", "capture", str(job.pid), "-o", str(file)],
            env=environment(folder),
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(capture)
        wait_until(draft_of(file).exists, "the capture")
        job.tell("go")
        said = job.says()
        job.tell("end")
        assert job.process.wait(60) == 0
        assert capture.wait(60) == 0
        explained = idlehands("explain", file, "--json", "--no-gains", folder=folder)
        assert explained.returncode == 0, explained.stderr
        document = json.loads(explained.stdout)
        assert document["source"]["skipped"] == [], "a frame or a pool of our own was left out"
        return said, document, idlehands("explain", file, "--no-gains", folder=folder).stdout

    try:
        yield run
    finally:
        for process in started:
            process.kill()
            process.communicate()


@pytest.fixture
def captured(tmp_path):
    """Run a script with a capture of all of it, see `capturing`."""
    with capturing(tmp_path) as run:
        yield run


@pytest.fixture(scope="module")
def captured_once(tmp_path_factory):
    """Run a script that several tests look at, see `capturing`."""
    with capturing(tmp_path_factory.mktemp("captured")) as run:
        yield run


@pytest.fixture(scope="module")
def captured_here(tmp_path_factory):
    """Give a function that runs a script and returns the file of a capture of all of it."""
    folder = tmp_path_factory.mktemp("kept")
    with capturing(folder) as run:

        def path_of(text):
            run(text)
            return max(folder.glob("job-*.idlehands"), key=lambda path: path.stat().st_mtime_ns)

        yield path_of
