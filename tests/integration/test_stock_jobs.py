"""The jobs of `tests/jobs`, stock pools as people write them, under `idlehands run`.

Each says its own counts and then waits, so that a capture can hold all that its pools did.
``JOBS_PYTHON`` names another Python to run them with, which must have msgpack.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

import idlehands as probe
from helpers import environment, idlehands, wait_until

FOLDER = Path(__file__).parent.parent / "jobs"
JOBS = sorted(path.stem for path in FOLDER.glob("*.py") if path.stem != "ending")
PYTHON = os.environ.get("JOBS_PYTHON", sys.executable)
NEEDS = {"loky_reused": "loky", "joblib_batches": "joblib", "joblib_threads": "joblib"}
MADE_AT = re.compile(r"\w+\.py:\d+( \(\d+\))?")
PREFIXES = {"scales", "drawing office", "kiln", "wires", "asyncio"}


@pytest.fixture
def explained(tmp_path):
    """Run a job with a capture of all of it; return its own counts and what `explain` says."""
    folder = tmp_path / "sockets"
    folder.mkdir(mode=0o700)
    started = []

    def run(name):
        sources = str(Path(probe.__file__).parent.parent)
        job = subprocess.Popen(
            [PYTHON, "-m", "idlehands", "run", str(FOLDER / f"{name}.py")],
            env=environment(folder, PYTHONPATH=sources),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        started.append(job)
        counts = json.loads(job.stdout.readline())
        file = tmp_path / f"{name}.idlehands"
        capture = subprocess.Popen(
            [sys.executable, "-m", "idlehands", "capture", str(job.pid), "-o", str(file)],
            env=environment(folder),
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(capture)
        wait_until(file.exists, "the capture", 60)
        job.communicate("\n", timeout=60)
        assert job.returncode == 0
        assert capture.wait(60) == 0
        said = idlehands("explain", file, "--json", folder=folder)
        assert said.returncode == 0, said.stderr
        return counts, json.loads(said.stdout), idlehands("explain", file, folder=folder).stdout

    yield run
    for process in started:
        process.kill()
        process.communicate()


@pytest.mark.long
@pytest.mark.parametrize("name", JOBS)
def test_a_stock_job_has_its_exact_counts_and_readable_names(name, explained):
    if name in NEEDS:
        pytest.importorskip(NEEDS[name])
    counts, document, text = explained(name)
    own, seen = counts["kinds"], {}
    for pool in document["pools"]:
        assert pool["name"] in PREFIXES or MADE_AT.fullmatch(pool["name"]), pool["name"]
        for kind in pool["tasks"]["kinds"]:
            name_of_kind = kind["kind"].rpartition(".")[2]
            seen[name_of_kind] = {part: kind[part] for part in ("finished", "failed", "calls")}
            if own.get(name_of_kind, {}).get("finished", 0) is None:  # as the library pleased
                own[name_of_kind]["finished"] = kind["finished"]
    assert seen == own
    total = {
        part: sum(pool["tasks"][part] for pool in document["pools"])
        for part in ("finished", "failed", "cancelled", "lost", "queued")
    }
    assert total["finished"] == sum(kind["finished"] for kind in own.values())
    assert total["failed"] == sum(kind["failed"] for kind in own.values())
    assert (total["cancelled"], total["lost"], total["queued"]) == (counts["cancelled"], 0, 0)
    assert "steal" not in text
    assert " 1 workers" not in text
