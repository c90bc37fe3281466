"""The `idlehands` command: starts the monitor, or prints how to get it.

The one place on the probe's side that names the monitor, and only when the command is run.
"""

from __future__ import annotations

import importlib
import importlib.util
import sys
from collections.abc import Sequence

MONITOR_NEEDS = ("textual", "psutil", "numpy", "scipy")
OLDEST_PYTHON = (3, 11)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return its exit status."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    if given[:1] == ["run"]:
        from ._run import run as run_job

        return run_job(given[1:])
    if sys.version_info < OLDEST_PYTHON:
        return _refuse(
            "the monitor needs Python 3.11 or later (the probe alone runs from 3.9); "
            "install idlehands[monitor] under one and attach from there"
        )
    missing = [name for name in MONITOR_NEEDS if importlib.util.find_spec(name) is None]
    if missing:
        return _refuse(
            f"the monitor is not installed (no {', '.join(missing)}); "
            f"run: python -m pip install 'idlehands[monitor]'"
        )
    run = importlib.import_module("idlehands_monitor.cli").main
    status: int = run(given)
    return status


def _refuse(reason: str) -> int:
    sys.stderr.write(f"idlehands: {reason}\n")
    return 2


if __name__ == "__main__":
    sys.exit(main())
