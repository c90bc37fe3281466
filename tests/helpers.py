"""Shared by tests: waiting on a condition with a deadline, and the command as people run it."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from math import comb
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


def draft_of(capture: Path) -> Path:
    """Return what a capture is called until it is complete."""
    return capture.with_name(f"{capture.name}.part")


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


def most_steals(thieves: int, height: int, arity: int = 2) -> int:
    """Return how often so many thieves can steal from a complete tree at most.

    C. E. Leiserson, T. B. Schardl, W. Suksompong 2016, "Upper bounds on number of steals in rooted
    trees", Theory Comput. Syst. 58(2):223-240: in a complete k-ary tree of height h, all work on
    one worker at the start, s thieves take at most sum over i = 1..s of (k - 1)^i * C(h, i) tasks.
    """
    return sum((arity - 1) ** i * comb(height, i) for i in range(1, thieves + 1))
