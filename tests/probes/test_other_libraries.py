"""Libraries whose worker processes no adapter knows: named once, and their helpers are no pool.

The libraries are made up here: only the names of their modules and their threads matter.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import idlehands

SOURCES = str(Path(idlehands.__file__).parent.parent)


HELPER = """
import queue, threading

tasks = queue.Queue()

def scheduler():
    while tasks.get() is not None:
        tasks.task_done()

def serve():
    threading.Thread(target=scheduler, daemon=True).start()
    for number in range(5):
        tasks.put(object())
    tasks.join()
"""
JOB = """
import {module} as library

library.serve()
from idlehands._process import _process
print([pool.name for pool in _process.registry.pools])
"""


@pytest.mark.parametrize(
    ("module", "library"),
    [("pebble.pool.process", "pebble"), ("mpire.pool", "mpire"), ("billiard.pool", "billiard")],
)
def test_a_library_without_an_adapter_is_named_and_its_helper_thread_is_no_pool(
    module, library, tmp_path, folder
):
    *packages, last = module.split(".")
    inside = tmp_path
    for package in packages:
        inside /= package
        inside.mkdir()
        (inside / "__init__.py").write_text("")
    (inside / f"{last}.py").write_text(HELPER)
    job = tmp_path / "job.py"
    job.write_text(JOB.format(module=module))
    ended = subprocess.run(
        [sys.executable, "-m", "idlehands", "run", str(job)],
        env={**os.environ, "PYTHONPATH": SOURCES, "IDLEHANDS_DIR": str(folder)},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert (ended.returncode, ended.stdout) == (0, "[]\n")
    said = f"idlehands has no adapter for the worker processes of {library}"
    assert ended.stderr == f"pools of {module} are not probed: {said}\n"
