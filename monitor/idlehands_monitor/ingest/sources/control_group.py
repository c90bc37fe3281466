"""The limits of a process's control group: its CPU quota, and the memory that it has left.

Reads files only. Formats: Linux kernel documentation, admin-guide/cgroup-v2.rst (``cpu.max``,
``cpu.stat``, ``memory.max``, ``memory.current``, ``memory.stat``), scheduler/sched-bwc.rst (version
1: ``cpu.cfs_quota_us``, ``cpu.cfs_period_us``, ``cpu.stat``), admin-guide/cgroup-v1/memory.rst;
``/proc/PID/cgroup`` in cgroups(7), ``mountinfo`` and ``meminfo`` in proc(5). The mount points of
the groups are read from there, never assumed.
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
    """Where a hierarchy is visible: its folder `root` is mounted at `point`.

    controllers: of a hierarchy of version 1; one of version 2 may have any.
    """

    root: str
    point: str
    version: int
    controllers: tuple[str, ...] = ()


class _MemoryFiles(NamedTuple):
    """The names of a group's files: the limit, what it uses, and in ``memory.stat`` the page cache
    that it can give up at once."""

    limit: str
    used: str
    cache: str


MEMORY_FILES = {
    1: _MemoryFiles("memory.limit_in_bytes", "memory.usage_in_bytes", "total_inactive_file"),
    2: _MemoryFiles("memory.max", "memory.current", "inactive_file"),
}


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
        self._limits: dict[_Place, CpuLimit | None] = {}
        self._left: dict[_Place, int] = {}
        self._free = self._number_of("/proc/meminfo", "MemAvailable:") * 1024

    def cpu_limit(self, pid: int) -> CpuLimit | None:
        """Return the tightest limit from the process's group up to the root.

        None where there is no limit, or where it cannot be read.
        """
        place = self._place(pid, "cpu")
        if place is None:
            return None
        if place not in self._limits:
            read = self._limit_v1 if place.mount.version == 1 else self._limit_v2
            limits = [limit for folder in place.folders if (limit := read(folder)) is not None]
            tightest = min(limits, key=lambda limit: limit.cores, default=None)
            self._limits[place] = tightest
        return self._limits[place]

    def memory_left(self, pid: int) -> int:
        """Return how many bytes more a process can take, -1 where that cannot be read.

        Until its control group, one above it, or the machine has none left. Page cache that the
        kernel can drop at once counts as free.
        """
        place = self._place(pid, "memory")
        if place is not None and place not in self._left:
            names = MEMORY_FILES[place.mount.version]
            left = (self._memory_left(folder, names) for folder in place.folders)
            self._left[place] = min((one for one in left if one >= 0), default=UNKNOWN)
        known = [self._left[place] if place is not None else UNKNOWN, self._free]
        return min((one for one in known if one >= 0), default=UNKNOWN)

    def _memory_left(self, folder: str, names: _MemoryFiles) -> int:
        limit, used = (_number(self._read(f"{folder}/{name}")) for name in names[:2])
        if limit < 0 or used < 0:  # "max", a number of 19 digits (version 1) or nothing: no limit
            return UNKNOWN
        cache = max(0, self._number_of(f"{folder}/memory.stat", names.cache))
        return max(0, limit - used + cache)

    def _number_of(self, path: str, name: str) -> int:
        """Return the number behind a name at the begin of a line, -1 where there is none."""
        for line in self._read(path).splitlines():
            first, _, rest = line.partition(" ")
            if first == name:
                return _number(rest.strip().partition(" ")[0])
        return UNKNOWN

    def _place(self, pid: int, controller: str) -> _Place | None:
        """Return where the group of a process that a controller may limit is visible."""
        for version, group in _groups(self._read(f"/proc/{pid}/cgroup"), controller):
            for mount in self._mounts:
                below = _below(mount.root, group)
                has_it = version == 2 or controller in mount.controllers
                if mount.version == version and has_it and below is not None:
                    return _Place(mount, below)
        return None

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


class _Place(NamedTuple):
    """A group: its path below a mount."""

    mount: _Mount
    below: str

    @property
    def folders(self) -> list[str]:
        """The folder of the root, of the groups below it, and last of this group."""
        parts = [part for part in self.below.split("/") if part]
        point = self.mount.point.rstrip("/")
        return ["/".join([point, *parts[:depth]]) for depth in range(len(parts) + 1)]


def _mount(line: str) -> _Mount | None:
    """Return the mount in a line of ``mountinfo`` if it is one of control groups, else None."""
    before, _, after = line.partition(" - ")
    fields, kind = before.split(" "), after.split(" ")
    if len(fields) < 5 or len(kind) < 3:
        return None
    root, point = (re.sub(r"\\([0-7]{3})", _unescape, field) for field in fields[3:5])
    if kind[0] == "cgroup2":
        return _Mount(root, point, 2)
    if kind[0] == "cgroup":
        return _Mount(root, point, 1, tuple(kind[2].split(",")))
    return None


def _unescape(match: re.Match[str]) -> str:
    return chr(int(match[1], 8))


def _groups(text: str, controller: str) -> list[tuple[int, str]]:
    """Return (version, path) of the groups in ``/proc/PID/cgroup`` that may have a controller.

    A controller is in one hierarchy only: where version 1 has it, version 2 does not.
    """
    found = []
    for line in text.splitlines():
        number, _, rest = line.partition(":")
        controllers, _, path = rest.partition(":")
        if controller in controllers.split(","):
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
