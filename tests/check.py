"""All checks with one command: ruff, mypy --strict, the tests, the long ones after the others, and
the probe's tests under every interpreter there is; the first failure ends it.

Run with the interpreter of an environment that has the extra ``test``::

    .venv/bin/python tests/check.py            # everything
    .venv/bin/python tests/check.py -k matrix  # arguments go to pytest, with this interpreter only
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
CHECKS = (
    ("ruff", "check", "."),
    ("ruff", "format", "--check", "."),
    ("mypy",),
    ("pytest", "-q"),
    ("pytest", "-q", "-m", "long"),
    ("nox", "-f", "tests/noxfile.py"),
)


def main(arguments: list[str]) -> int:
    """Run the checks in order; return the status of the first that fails, 0 when none does."""
    for name, *options in CHECKS:
        if arguments and (name == "nox" or "long" in options):
            continue
        more = arguments if name == "pytest" else []
        sys.stderr.write(f"== {' '.join((name, *options, *more))}\n")
        sys.stderr.flush()
        status = subprocess.run(
            [sys.executable, "-m", name, *options, *more], cwd=ROOT, check=False
        ).returncode
        if status:
            sys.stderr.write(f"== {name} failed with status {status}\n")
            return status
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
