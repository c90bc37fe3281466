"""Runs a job twice, as it is and under `idlehands run`, and returns how both went."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import idlehands

SOURCES = str(Path(idlehands.__file__).parent.parent)
SECONDS = 60


class Went(NamedTuple):
    """How a job went."""

    status: int
    output: str
    errors: str


def run(folder: Path, script: str, *command: str) -> Went:
    """Run a job to its end."""
    path = folder / "job.py"
    path.write_text(script)
    ended = subprocess.run(
        [sys.executable, *command, str(path)],
        env={**os.environ, "IDLEHANDS_DIR": str(folder / "sockets"), "PYTHONPATH": SOURCES},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=SECONDS,
    )
    return Went(ended.returncode, ended.stdout, ended.stderr)


def probed(folder: Path, script: str) -> Went:
    """Run a job under `idlehands run`."""
    return run(folder, script, "-m", "idlehands", "run")


def both(folder: Path, script: str) -> tuple[Went, Went]:
    """Run a job plain and probed."""
    return run(folder, script), probed(folder, script)
