"""What tests share: waiting on a condition with a deadline, and the command as people run it."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

DEADLINE_SECONDS = 20.0


def wait_until(
    holds: Callable[[], object], what: str = "the condition", seconds: float = DEADLINE_SECONDS
) -> None:
    """Return when `holds` is true; fail when it is not by the deadline."""
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline, f"{what} did not come true in {seconds:.0f} s"
        time.sleep(0.01)


def environment(folder: Path, **changes: str) -> dict[str, str]:
    """Return an environment with a socket folder of the test's own."""
    kept = {key: value for key, value in os.environ.items() if not key.startswith("IDLEHANDS")}
    return {**kept, "IDLEHANDS_DIR": str(folder), **changes}


def idlehands(
    *arguments: object, folder: Path, seconds: float = 60.0, **changes: str
) -> subprocess.CompletedProcess[str]:
    """Run the command to its end, no terminal attached."""
    return subprocess.run(
        [sys.executable, "-m", "idlehands", *map(str, arguments)],
        env=environment(folder, **changes),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=seconds,
        check=False,
    )
