"""Whether a process has a probe, wherever its socket is and whether or not one may attach to it.

The kernel lists the names that sockets were bound to (proc(5), ``/proc/PID/net/unix``), also in
folders that this user cannot enter. Only the user of a process and root can see which of these
sockets it has open, by their inodes in ``/proc/PID/fd``; others go by the process id in the name.
"""

from __future__ import annotations

import contextlib
import os
import re

from .kernel_files import read

BOUND = re.compile(r"(\d{1,10})(?:-\d{1,3})?\.sock|\.(\d{1,10})-[0-9a-f]{12}", re.ASCII)
"""Names that probes bind to: the usual one, or a temporary one that is linked to it later."""
LISTENS = 0x10000
"""The flag of a socket that accepts connections (``__SO_ACCEPTCON``)."""
FLAGS, INODE, PATH = 3, 6, 7
"""Columns of ``/proc/PID/net/unix``."""


def has_probe(pid: int, root: str = "/") -> bool:
    """Return whether a probe of this process listens; False also where this cannot be known."""
    folder = f"{root}/proc/{pid}"
    try:
        pids = _ids(folder)
        with open(f"{folder}/net/unix", encoding="utf-8", errors="replace") as file:
            sockets = {inode for inode, pid in map(_listener, file) if pid in pids}
    except OSError:
        return False
    return bool(sockets) and not sockets.isdisjoint(_inodes(folder, sockets))


def _ids(folder: str) -> set[int]:
    """Return the process's ids, in this namespace and in the namespaces within it."""
    for line in read(f"{folder}/status").splitlines():
        if line.startswith(b"NSpid:"):
            return {int(number) for number in line.split()[1:]}
    return {int(os.path.basename(folder))}


def _listener(line: str) -> tuple[int, int]:
    """Return (inode, process id in the name) of a listening socket of a probe, else (0, 0)."""
    fields = line.rstrip("\n").split(maxsplit=PATH)
    if len(fields) <= PATH or not fields[INODE].isdecimal() or not int(fields[FLAGS], 16) & LISTENS:
        return 0, 0
    match = BOUND.fullmatch(fields[PATH].rpartition("/")[2])
    return (int(fields[INODE]), int(match[1] or match[2])) if match else (0, 0)


def _inodes(folder: str, unknown: set[int]) -> set[int]:
    """Return the inodes of a process's sockets, `unknown` where they may not be read."""
    found = set()
    try:
        names = os.listdir(f"{folder}/fd")
    except OSError:
        return unknown
    for name in names:
        with contextlib.suppress(OSError):  # closed meanwhile
            kind, _, number = os.readlink(f"{folder}/fd/{name}").partition(":")
            if kind == "socket":
                found.add(int(number.strip("[]")))
    return found
