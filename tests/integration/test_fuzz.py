"""A short run of the script that feeds the monitor damaged and hostile input."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parents[1] / "fuzz" / "fuzz_monitor.py"

pytestmark = pytest.mark.long


@pytest.mark.parametrize("first", [0, pytest.param(1000, marks=pytest.mark.extra)])
def test_the_monitor_survives_damaged_and_hostile_input(first):
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--seed", str(first), "--cases", "10"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.startswith("10 cases, 0 failed")
