"""The checks with one command: ruff, mypy --strict, the tests, the long ones among them, and the
probe's tests under the oldest and the newest interpreter; the first failure ends it. Each is timed.
`nox -f tests/noxfile.py` runs the probe's tests under every interpreter there is.

Run with the interpreter of an environment that has the extra ``test``::

    .venv/bin/python tests/check.py            # everything
    .venv/bin/python tests/check.py -k matrix  # arguments go to pytest, with this interpreter only
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

from pythons import VERSIONS

ROOT = Path(__file__).resolve().parent.parent
SIDE_BY_SIDE = ("-n", "2", "--dist", "loadgroup")
"""Tests two at a time, by pytest-xdist; those of one `xdist_group` one after the other."""

RUNNING = "{}.{}".format(*sys.version_info[:2])
CHECKED = (VERSIONS[0], VERSIONS[-1])
"""The probe's tests under all of them take longer than people wait for."""
OTHERS = tuple(f"probe-{version}" for version in CHECKED if version != RUNNING)
"""The probe's tests under other interpreters: under this one they are among all tests."""

LINT = (("ruff", "check", "."), ("ruff", "format", "--check", "."), ("mypy",))
TESTS = (
    ("pytest", "-q", *SIDE_BY_SIDE, "--durations=12", "-m", "not alone and not extra"),
    ("pytest", "-q", "-m", "alone and not extra"),
    ("nox", "-f", "tests/noxfile.py", "--sessions", *OTHERS, "missing"),
)


def main(arguments: list[str]) -> int:
    """Run the checks in order; return the status of the first that fails, 0 when none does."""
    tests = (("pytest", "-q", *arguments),) if arguments else TESTS
    # The tests start our sources a thousand times, so they are to be compiled once.
    environment = {**os.environ}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    for name, *options in (*LINT, *tests):
        began = time.monotonic()
        _say(" ".join((name, *options)))
        status = subprocess.run(
            [sys.executable, "-m", name, *options], cwd=ROOT, env=environment, check=False
        ).returncode
        if status:
            _say(f"{name} failed with status {status}")
            return status
        _say(f"{name} took {time.monotonic() - began:.0f} s")
    return 0


def _say(line: str) -> None:
    sys.stderr.write(f"== {line}\n")
    sys.stderr.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
