"""The CPU quota of a process's control group, and how often it throttled the process.

Reads files only. Formats: Linux kernel documentation, admin-guide/cgroup-v2.rst (``cpu.max``,
``cpu.stat``) and scheduler/sched-bwc.rst (version 1: ``cpu.cfs_quota_us``,
``cpu.cfs_period_us``, ``cpu.stat``); ``/proc/PID/cgroup`` in cgroups(7), ``mountinfo`` in
proc(5). The mount points of the groups are read from there, never assumed.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from typing import NamedTuple

UNKNOWN = -1


@dataclass(frozen=True, slots=True)
class CpuLimit:
    """A quota of `quota_us` of CPU time per `period_us`, and its counters since the group began.

    throttled_ns is summed over cores: a group throttled on two cores for a second has two seconds.
    Counters are -1 where the kernel does not report them.
    """

    quota_us: int
    period_us: int
    periods: int = UNKNOWN
    throttled_periods: int = UNKNOWN
    throttled_ns: int = UNKNOWN

    @property
    def cores(self) -> float:
        """The quota in cores."""
        return self.quota_us / self.period_us


class _Mount(NamedTuple):
    """Where a hierarchy is visible: its folder `root` is mounted at `point`."""

    root: str
    point: str
    version: int


class ControlGroups:
    """The control groups as they are now; make a new object for every round of sampling.

    root: the folder in which ``proc`` and the mount points are looked up.
    """

    def __init__(self, root: str = "/") -> None:
        self._root = root
        self._mounts = [
            mount
            for line in self._read("/proc/self/mountinfo").splitlines()
            if (mount := _mount(line)) is not None
        ]
        self._known: dict[tuple[str, str], CpuLimit | None] = {}

    def cpu_limit(self, pid: int) -> CpuLimit | None:
        """Return the tightest limit from the process's group up to the root.

        None where there is no limit, or where it cannot be read.
        """
        for version, group in _groups(self._read(f"/proc/{pid}/cgroup")):
            for mount in self._mounts:
                below = _below(mount.root, group)
                if mount.version == version and below is not None:
                    key = (mount.point, below)
                    if key not in self._known:
                        self._known[key] = self._tightest(mount, below)
                    return self._known[key]
        return None

    def _tightest(self, mount: _Mount, below: str) -> CpuLimit | None:
        read = self._limit_v1 if mount.version == 1 else self._limit_v2
        parts = [part for part in below.split("/") if part]
        folders = [
            "/".join([mount.point.rstrip("/"), *parts[:depth]]) for depth in range(len(parts) + 1)
        ]
        limits = [limit for folder in folders if (limit := read(folder)) is not None]
        return min(limits, key=lambda limit: limit.cores, default=None)

    def _limit_v2(self, folder: str) -> CpuLimit | None:
        quota, _, period = self._read(f"{folder}/cpu.max").partition(" ")
        return self._limit(folder, quota, period, "throttled_usec", 1000)

    def _limit_v1(self, folder: str) -> CpuLimit | None:
        quota = self._read(f"{folder}/cpu.cfs_quota_us")
        period = self._read(f"{folder}/cpu.cfs_period_us")
        return self._limit(folder, quota, period, "throttled_time", 1)

    def _limit(
        self, folder: str, quota: str, period: str, throttled: str, unit_ns: int
    ) -> CpuLimit | None:
        quota_us, period_us = _number(quota), _number(period)
        if quota_us <= 0 or period_us <= 0:  # "max", -1 or nothing: no limit here
            return None
        stat = dict(
            line.split(" ", 1)
            for line in self._read(f"{folder}/cpu.stat").splitlines()
            if " " in line
        )
        spent = _number(stat.get(throttled, ""))
        return CpuLimit(
            quota_us,
            period_us,
            _number(stat.get("nr_periods", "")),
            _number(stat.get("nr_throttled", "")),
            spent * unit_ns if spent >= 0 else UNKNOWN,
        )

    def _read(self, path: str) -> str:
        """Return a file's text, empty where it is missing or may not be read."""
        try:
            with open(
                os.path.join(self._root, path.lstrip("/")), encoding="utf-8", errors="replace"
            ) as file:
                return file.read()
        except OSError:
            return ""


def _number(text: str) -> int:
    return int(text) if re.fullmatch(r"\s*\d{1,18}\s*", text, re.ASCII) else UNKNOWN


def _mount(line: str) -> _Mount | None:
    """Return the mount in a line of ``mountinfo`` if it has CPU quotas, else None."""
    before, _, after = line.partition(" - ")
    fields, kind = before.split(" "), after.split(" ")
    if len(fields) < 5 or len(kind) < 3:
        return None
    root, point = (re.sub(r"\\([0-7]{3})", _unescape, field) for field in fields[3:5])
    if kind[0] == "cgroup2":
        return _Mount(root, point, 2)
    if kind[0] == "cgroup" and "cpu" in kind[2].split(","):
        return _Mount(root, point, 1)
    return None


def _unescape(match: re.Match[str]) -> str:
    return chr(int(match[1], 8))


def _groups(text: str) -> list[tuple[int, str]]:
    """Return (version, path) of the groups in ``/proc/PID/cgroup`` that may set a CPU quota.

    A controller is in one hierarchy only: where version 1 has ``cpu``, version 2 does not.
    """
    found = []
    for line in text.splitlines():
        number, _, rest = line.partition(":")
        controllers, _, path = rest.partition(":")
        if "cpu" in controllers.split(","):
            return [(1, path)]
        if number == "0" and not controllers:
            found.append((2, path))
    return found


def _below(root: str, group: str) -> str | None:
    """Return a group's path below a mount's root; None where that mount does not show it."""
    if ".." in group.split("/"):  # outside this process's namespace of groups
        return None
    if root == "/":
        return group
    return group[len(root) :] if group == root or group.startswith(root + "/") else None
