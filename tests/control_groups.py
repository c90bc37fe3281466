"""Control groups with a CPU quota, where the machine lets a test make one."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from helpers import wait_until

PARENTS = ("/sys/fs/cgroup/cpu", "/sys/fs/cgroup")
PERIOD_US = 100_000


@contextlib.contextmanager
def control_group(cores: float) -> Iterator[Path]:
    """Make a control group with a CPU quota, version 1 or 2; give the file to write pids to.

    Raises OSError that says why where none may be made. The group must be empty at the end.
    """
    reasons = []
    for parent in map(Path, PARENTS):
        folder = parent / f"idlehands-test-{os.getpid()}"
        try:
            _make(folder, cores)
        except OSError as error:
            reasons.append(f"{folder}: {error.strerror or error}")
            continue
        try:
            yield folder / "cgroup.procs"
        finally:
            _remove(folder)
        return
    raise OSError("no control group with a CPU quota: " + "; ".join(reasons))


def _make(folder: Path, cores: float) -> None:
    if not (folder.parent / "cgroup.procs").exists():
        raise OSError("no control groups there")
    folder.mkdir()
    quota = round(cores * PERIOD_US)
    try:
        if (folder / "cpu.max").exists():
            (folder / "cpu.max").write_text(f"{quota} {PERIOD_US}")
        else:
            (folder / "cpu.cfs_period_us").write_text(str(PERIOD_US))
            (folder / "cpu.cfs_quota_us").write_text(str(quota))
    except OSError:
        folder.rmdir()
        raise


def _remove(folder: Path) -> None:
    wait_until(lambda: not (folder / "cgroup.procs").read_text(), "the group is empty")
    folder.rmdir()
