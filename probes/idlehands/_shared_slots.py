"""Shared slots: memory in which the worker processes of a pool report to the process that owns it.

Each worker process has a slot, into which it writes its rows and its present task; the owner's
publisher reads the slots. So a worker process needs no thread and no socket, one that lives for a
tenth of a second is seen like any other, and the last task of a killed one is known.

A slot has one writer, its worker (`_slot_worker`). Slots are assigned, and those of dead processes
retired, under a lock. A worker has its slot for as long as the slot says so. A row is stored
before the count that covers it. On processors that may reorder stores a reader could see the count
first, and would then read a row that is being overwritten.

The job may write anywhere in its memory, and so into the slots. Whatever stands there can make the
record wrong, but does no other harm.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import socket
from _thread import allocate_lock
from collections.abc import Iterable, Iterator
from time import monotonic, monotonic_ns, sleep
from typing import Any

from ._descriptors import Identity, OwnSocket, start_ticks
from ._mapping import Mapping
from ._packed_rows import CELL_BYTES
from ._rings import Token
from ._slot_layout import (
    HEADER_CELLS,
    JOINED,
    LIFETIME_CELLS,
    LIFETIME_ROWS,
    LIFETIMES_AT,
    LIFETIMES_WRITTEN,
    MOST,
    NATIVE_ID,
    PID,
    SLOT_BYTES,
    SLOT_CELLS,
    STARTED,
    STARTED_NS,
    TASK_CELLS,
    TASK_ROWS,
    TASKS_WRITTEN,
    TICKS,
    TOKEN,
    pack_lifetime,
    pack_task,
    token_at,
)
from ._tables import DIED, INBOX, LEFT, LOST, NONE

RETRY_SECONDS = 0.0005
CHECKED_FOR_DEAD = 16
"""A process that joins checks at most so many slots for dead processes, unless all are taken."""


class _Threads:
    """The lock between the threads of one process; the kernel's lock is between processes.

    A signal handler that needs the lock while its own thread holds it goes on without the lock
    after a bounded time.
    """

    lock = allocate_lock()

    @classmethod
    def start_again(cls) -> None:
        """Make a new lock in a forked child, where the thread that held the old one is gone."""
        cls.lock = allocate_lock()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_Threads.start_again)


class SharedSlots:
    """The slots of one pool, as its owner or as one of its workers sees them.

    Attributes: slots (how many there are), cells (the memory as 64-bit integers).

    Without a mapping the memory is private, for calibration.
    """

    def __init__(self, slots: int, mapping: Mapping | None = None) -> None:
        self.slots = slots
        self.mapping = mapping
        self.memory: Any = mapping.memory if mapping is not None else bytearray(slots * SLOT_BYTES)
        self.cells = mapping.cells if mapping is not None else memoryview(self.memory).cast("q")

    @property
    def _identity(self) -> Identity | None:
        return self.mapping.identity if self.mapping is not None else None

    @contextlib.contextmanager
    def locked(self, seconds: float) -> Iterator[bool]:
        """Hold the slots' lock if it is free within so many seconds; yield whether it is held.

        Assigning or retiring a slot holds the lock for microseconds. The kernel releases the lock
        of a process that dies (fcntl(2), F_SETLK).
        """
        deadline, threads = monotonic() + seconds, _Threads.lock
        if not threads.acquire(timeout=seconds):
            yield False
            return
        try:
            is_held = self._lock(deadline)
            try:
                yield is_held
            finally:
                if is_held:
                    self._change_lock(fcntl.LOCK_UN)
        finally:
            threads.release()

    def _lock(self, deadline: float) -> bool:
        while True:
            try:
                return self._change_lock(fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if monotonic() >= deadline:
                    return False
                sleep(RETRY_SECONDS)

    def _change_lock(self, how: int) -> bool:
        """Take or release the kernel's lock; return False where the descriptor is lost."""
        mapping = self.mapping
        if mapping is None or not mapping.is_ours:
            return False
        try:
            fcntl.lockf(mapping.descriptor, how)
        except BlockingIOError:
            raise
        except OSError:
            return False
        return True

    @contextlib.contextmanager
    def named(self, seconds: float) -> Iterator[None]:
        """Exclude the other processes that have lost the descriptor and so cannot take the lock.

        Only one process at a time can bind a name, and the kernel frees the name of a process that
        dies (unix(7), abstract sockets). Where the name stays taken for so many seconds the block
        runs without it.
        """
        deadline, name = monotonic() + seconds, f"\0idlehands-slots-{self._identity}"
        try:
            holder = OwnSocket(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM))
        except OSError:
            yield
            return
        with contextlib.closing(holder):
            while not _bind(holder.socket, name) and monotonic() < deadline:
                sleep(RETRY_SECONDS)
            yield

    def retire_dead(self, slots: Iterable[int]) -> None:
        """End the lifetimes of workers whose process has ended. The caller holds the lock."""
        for slot in slots:
            if self.is_dead(slot):
                self.retire(slot)

    def retire(self, slot: int) -> None:
        """End the lifetime of a slot's worker; that worker or a holder of the lock calls this."""
        cells, base = self.cells, slot * SLOT_CELLS
        now, how = monotonic_ns(), LEFT
        started = cells[base + STARTED]
        if started:
            token = token_at(self.memory, (base + TOKEN) * CELL_BYTES)
            if not self._has_put(slot, token[0], started):  # or it ended just after
                how = DIED
                self.put_task(slot, token, started, now, NONE, LOST)
            cells[base + STARTED] = 0
        lifetime = cells[base + JOINED], now, cells[base + PID], cells[base + NATIVE_ID], how
        written = cells[base + LIFETIMES_WRITTEN]
        offset = base + LIFETIMES_AT + written % LIFETIME_ROWS * LIFETIME_CELLS
        pack_lifetime(self.memory, offset * CELL_BYTES, *lifetime)
        cells[base + LIFETIMES_WRITTEN] = written + 1 & MOST
        cells[base + PID] = 0

    def _has_put(self, slot: int, task: int, started: int) -> bool:
        cells, base = self.cells, slot * SLOT_CELLS
        last = cells[base + TASKS_WRITTEN] - 1
        row = base + HEADER_CELLS + last % TASK_ROWS * TASK_CELLS
        return last >= 0 and cells[row] == task and cells[row + STARTED_NS] == started

    def put_task(
        self, slot: int, token: Token, started: int, ended: int, cpu: int, outcome: int
    ) -> None:
        """Add a row of `TASKS` to a slot."""
        cells, base = self.cells, slot * SLOT_CELLS
        written = cells[base + TASKS_WRITTEN]
        offset = base + HEADER_CELLS + written % TASK_ROWS * TASK_CELLS
        pack_task(self.memory, offset * CELL_BYTES, *token, started, ended, INBOX, cpu, outcome)
        cells[base + TASKS_WRITTEN] = written + 1 & MOST

    def is_dead(self, slot: int) -> bool:
        """Return whether a slot's process has ended without giving the slot back."""
        pid = self.cells[slot * SLOT_CELLS + PID]
        if pid == 0:
            return False
        ticks, then = start_ticks(pid), self.cells[slot * SLOT_CELLS + TICKS]
        if ticks > 0 and then > 0:
            return bool(ticks != then)
        return ticks == 0 or not is_there(pid)

    def free_slot(self, *, is_alone: bool) -> int:
        """Return a free slot, -1 where all are taken. The caller holds the lock.

        `is_alone`: no other process assigns slots now, so those of dead processes may be retired.
        """
        for slot in range(self.slots):
            if is_alone and slot < CHECKED_FOR_DEAD and self.is_dead(slot):
                self.retire(slot)
            if not self.cells[slot * SLOT_CELLS + PID]:
                return slot
        if not is_alone:
            return NONE
        self.retire_dead(range(self.slots))
        free = (slot for slot in range(self.slots) if not self.cells[slot * SLOT_CELLS + PID])
        return next(free, NONE)


def _bind(holder: socket.socket, name: str) -> bool:
    """Bind a socket to a name; return False while another process has that name."""
    try:
        holder.bind(name)
    except OSError as error:
        return error.errno != errno.EADDRINUSE
    return True


def is_there(pid: int) -> bool:
    """Return whether a process of that id exists, of any user; no signal is sent (kill(2))."""
    try:
        os.kill(pid if 0 < pid < 1 << 31 else 1 << 30, 0)
    except PermissionError:
        return True
    except OSError:
        return False
    return True
