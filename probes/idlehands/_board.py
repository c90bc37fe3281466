"""Boards: what the worker processes of a pool tell the process that owns the pool.

A board is memory that they share (`_mapping`), with a slot for each worker process. The worker
writes its rows and what it is doing into its slot, the owner's outlet reads them there. So a worker
needs no thread and no socket, one that lives for a tenth of a second is seen like any other, and of
one that was killed the last task is known.

A slot has one writer, its worker (`_board_worker`). Slots are taken, and those of dead processes
retired, under a lock. A worker has its slot as long as the slot says so. Every word is a native
64-bit integer. A row is stored before the count that covers it; on processors that may reorder
stores a reader could see the count first, and would then read a row that is being overwritten.

The job may write anywhere in its memory, here too. Nothing that is read here may do more harm
than to make the record wrong.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import struct
from _io import FileIO
from _socket import AF_UNIX, SOCK_DGRAM, socket
from _thread import allocate_lock
from collections.abc import Iterable, Iterator
from time import monotonic, monotonic_ns, sleep
from typing import Any

from ._descriptors import Identity
from ._mapping import Mapping
from ._notes import warn
from ._rings import Token
from ._tables import DIED, GAPS, INBOX, LEFT, LOST, NONE, STAYS, TASKS

WORD = 8
PID, TICKS, JOINED, NATIVE_ID, IDENT, TASKS_WRITTEN, STAYS_WRITTEN, STARTED, TOKEN = range(9)
NAME, NAME_BYTES = 16, 64
GAPS_WRITTEN, SKIPPED, EVERY, LAST_PID, REFUSED = range(24, 29)
"""Two of these are the board's and used in the first slot only. `EVERY` is written by the owner: it
says which tasks are recorded and not only counted, those of whose number no bit of it is set.
`REFUSED` counts the worker processes that found no slot free."""
HEADER_WORDS = 32
TASK_ROWS, STAY_ROWS, GAP_ROWS = 1 << 10, 1 << 8, 1 << 9
TASK_WORDS, STAY_WORDS = len(TASKS.columns), len(STAYS.columns)
STAYS_AT = HEADER_WORDS + TASK_ROWS * TASK_WORDS
GAP_WORDS = len(GAPS.columns)
GAPS_AT = STAYS_AT + STAY_ROWS * STAY_WORDS
SLOT_WORDS = GAPS_AT + GAP_ROWS * GAP_WORDS
SLOT_BYTES = SLOT_WORDS * WORD

MOST = (1 << 63) - 1
"""The largest word; a count that was damaged goes on from 0 past it."""

_TASK = struct.Struct(f"={TASK_WORDS}q")
_GAP = struct.Struct(f"={GAP_WORDS}q")
_STAY = struct.Struct(f"={STAY_WORDS}q")
_TOKEN = struct.Struct("=6q")
pack_token, pack_gap = _TOKEN.pack_into, _GAP.pack_into
STARTED_NS = TASKS.names.index("started_ns")

RETRY_SECONDS = 0.0005
LOOKS_FOR_DEAD = 16
"""Who joins looks for dead processes in so many slots at most, unless all slots are taken."""


class _Threads:
    """The kernel's lock is between processes; threads of one exclude each other by this one.

    A signal handler that comes here while its thread has the lock goes on without, in bounded time.
    """

    lock = allocate_lock()

    @classmethod
    def start_again(cls) -> None:
        """Have a lock that nobody holds: the thread that did is not in a forked child."""
        cls.lock = allocate_lock()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_Threads.start_again)


class Board:
    """The slots of one pool, as its owner or as one of its workers sees them.

    Without a mapping the memory is private: what calibration writes to.
    """

    def __init__(self, slots: int, mapping: Mapping | None = None) -> None:
        self.slots = slots
        self.mapping = mapping
        self.memory: Any = mapping.memory if mapping is not None else bytearray(slots * SLOT_BYTES)
        self.words = mapping.words if mapping is not None else memoryview(self.memory).cast("q")

    @property
    def _identity(self) -> Identity | None:
        return self.mapping.identity if self.mapping is not None else None

    @contextlib.contextmanager
    def locked(self, seconds: float) -> Iterator[bool]:
        """Hold the board's lock if it can be had within so many seconds; say whether it is held.

        It is held for the microseconds of taking or retiring a slot. The kernel gives back what a
        process held that dies (fcntl(2), F_SETLK).
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
        """Take the kernel's lock or give it back; False where the descriptor is lost."""
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
        """Be alone among those that cannot take the lock, for their descriptor is lost.

        Only one process at a time can have a socket of a name, and one that dies gives it back
        (unix(7), abstract sockets). Where it cannot be had in so many seconds go on without.
        """
        deadline, name = monotonic() + seconds, f"\0idlehands-board-{self._identity}"
        try:
            holder = socket(AF_UNIX, SOCK_DGRAM)
        except OSError:
            yield
            return
        with contextlib.closing(holder):
            while not _bind(holder, name) and monotonic() < deadline:
                sleep(RETRY_SECONDS)
            yield

    def retire_dead(self, slots: Iterable[int]) -> None:
        """End the stays of workers whose process has ended. Call it `locked`."""
        for slot in slots:
            if self.is_dead(slot):
                self.retire(slot)

    def retire(self, slot: int) -> None:
        """End the stay of a slot's worker. Its worker calls this, or who has the lock."""
        words, base = self.words, slot * SLOT_WORDS
        now, how = monotonic_ns(), LEFT
        started = words[base + STARTED]
        if started:
            token = _TOKEN.unpack_from(self.memory, (base + TOKEN) * WORD)
            if not self._has_put(slot, token[0], started):  # or it ended just after
                how = DIED
                self.put_task(slot, token, started, now, NONE, LOST)
            words[base + STARTED] = 0
        stay = words[base + JOINED], now, words[base + PID], words[base + NATIVE_ID], how
        written = words[base + STAYS_WRITTEN]
        offset = base + STAYS_AT + written % STAY_ROWS * STAY_WORDS
        _STAY.pack_into(self.memory, offset * WORD, *stay)
        words[base + STAYS_WRITTEN] = written + 1 & MOST
        words[base + PID] = 0

    def _has_put(self, slot: int, task: int, started: int) -> bool:
        words, base = self.words, slot * SLOT_WORDS
        last = words[base + TASKS_WRITTEN] - 1
        row = base + HEADER_WORDS + last % TASK_ROWS * TASK_WORDS
        return last >= 0 and words[row] == task and words[row + STARTED_NS] == started

    def put_task(
        self, slot: int, token: Token, started: int, ended: int, cpu: int, outcome: int
    ) -> None:
        """Add a row of `TASKS` to a slot."""
        words, base = self.words, slot * SLOT_WORDS
        written = words[base + TASKS_WRITTEN]
        offset = base + HEADER_WORDS + written % TASK_ROWS * TASK_WORDS
        _TASK.pack_into(self.memory, offset * WORD, *token, started, ended, INBOX, cpu, outcome)
        words[base + TASKS_WRITTEN] = written + 1 & MOST

    def is_dead(self, slot: int) -> bool:
        """Say whether a slot's process has ended without giving the slot back."""
        pid = self.words[slot * SLOT_WORDS + PID]
        if pid == 0:
            return False
        ticks, then = start_ticks(pid), self.words[slot * SLOT_WORDS + TICKS]
        if ticks > 0 and then > 0:
            return bool(ticks != then)
        return ticks == 0 or not is_there(pid)

    def free_slot(self, *, is_alone: bool) -> int:
        """Return a slot that nobody has, -1 where all are taken. Call it `locked`.

        Only who is alone in this retires the slots of dead processes.
        """
        for slot in range(self.slots):
            if is_alone and slot < LOOKS_FOR_DEAD and self.is_dead(slot):
                self.retire(slot)
            if not self.words[slot * SLOT_WORDS + PID]:
                return slot
        if not is_alone:
            return NONE
        self.retire_dead(range(self.slots))
        free = (slot for slot in range(self.slots) if not self.words[slot * SLOT_WORDS + PID])
        return next(free, NONE)


def _bind(holder: socket, name: str) -> bool:
    """Give a socket its name; False while another has it."""
    try:
        holder.bind(name)
    except OSError as error:
        return error.errno != errno.EADDRINUSE
    return True


def start_ticks(pid: int) -> int:
    """Return when a process started (proc(5), stat, field 22), 0 if it has ended, -1 if unknown."""
    try:
        with FileIO(f"/proc/{pid}/stat") as file:  # `open` may be the job's by now
            fields = file.readall().rpartition(b")")[2].split()
        return 0 if fields[0] in (b"Z", b"X") else int(fields[19])
    except (OSError, IndexError, ValueError):
        return NONE


def is_there(pid: int) -> bool:
    """Say whether there is a process of that number, whoever's; nothing is sent (kill(2))."""
    try:
        os.kill(pid if 0 < pid < 1 << 31 else 1 << 30, 0)
    except PermissionError:
        return True
    except OSError:
        return False
    return True


class Link:
    """How the processes of a pool come to its board: it travels with the pool's queues.

    A forked process has it with all else. To others the descriptor is passed as they start; so no
    right to look into another process is needed. One that cannot be given it gets None.

    Attributes: slots, board (None where it was let go).
    """

    __slots__ = ("_is_told", "board", "identity", "slots")

    def __init__(self, board: Board, identity: Identity) -> None:
        self.board: Board | None = board
        self.slots = board.slots
        self.identity = identity
        self._is_told = False

    @classmethod
    def create(cls, slots: int) -> Link:
        """Return the link to a new board. Raises OSError where the memory cannot be had."""
        mapping = Mapping.create(slots * SLOT_BYTES)
        return cls(Board(slots, mapping), mapping.identity)

    def __reduce__(self) -> Any:
        passed = None
        try:
            if self.board is not None and self.board.mapping is not None:
                passed = self.board.mapping.passed()
                self._warn_once(passed)
        except Exception:
            passed = None
        return _received, (passed, self.slots, self.identity)

    def _warn_once(self, passed: object) -> None:
        if passed is None and not self._is_told:
            self._is_told = True
            warn("worker processes are not probed: the job closed a descriptor of the probe's")


def _received(passed: Any, slots: int, identity: Identity) -> Link | None:
    """Return the link that was passed to this process, None where it leads nowhere."""
    try:
        mapping = Mapping.receive(passed.detach(), slots * SLOT_BYTES, identity)
    except Exception:
        return None
    return Link(Board(slots, mapping), identity)
