"""Boards: what the worker processes of a pool tell the process that owns the pool.

A board is a piece of shared memory with a slot for each worker process. The worker writes its
rows and what it is doing into its slot, the owner's outlet reads them there. So a worker needs
no thread and no socket, one that lives for a tenth of a second is seen like any other, and of one
that was killed the last task is known. The memory has no name in any folder: it is gone with the
processes that use it, however they end.

A slot has one writer, its worker; taking and retiring a slot are done under a lock of the kernel's
(fcntl(2)), which a process that dies gives back. Every word is a native 64-bit integer. A row is
stored before the count that covers it; on processors that may reorder stores a reader could see
the count first, and would then read a row that is being overwritten.
"""

from __future__ import annotations

import contextlib
import fcntl
import mmap
import os
import struct
import threading
from collections.abc import Iterator
from time import monotonic_ns, thread_time_ns
from typing import NamedTuple

from ._notes import warn
from ._recorder import CPU_WORTH_NS
from ._rings import NO_TOKEN, Token
from ._tables import DIED, FETCHING, FINISHED, GAPS, INBOX, LEFT, LOST, NONE, PARKED, STAYS, TASKS

WORD = 8
PID, TICKS, JOINED, NATIVE_ID, IDENT, TASKS_WRITTEN, STAYS_WRITTEN, STARTED, TOKEN = range(9)
NAME, NAME_BYTES = 16, 64
GAPS_WRITTEN, SKIPPED, EVERY, LAST_PID = range(24, 28)
"""Of these the owner writes one: by `EVERY` it says which tasks are recorded and not only counted,
those of whose number no bit of it is set."""
HEADER_WORDS = 32
TASK_ROWS, STAY_ROWS, GAP_ROWS = 1 << 10, 1 << 6, 1 << 9
TASK_WORDS, STAY_WORDS = len(TASKS.columns), len(STAYS.columns)
STAYS_AT = HEADER_WORDS + TASK_ROWS * TASK_WORDS
GAP_WORDS = len(GAPS.columns)
GAPS_AT = STAYS_AT + STAY_ROWS * STAY_WORDS
SLOT_WORDS = GAPS_AT + GAP_ROWS * GAP_WORDS

_TASK = struct.Struct(f"={TASK_WORDS}q")
_GAP = struct.Struct(f"={GAP_WORDS}q")
_STAY = struct.Struct(f"={STAY_WORDS}q")
_TOKEN = struct.Struct("=6q")


class Link(NamedTuple):
    """How a worker process finds its pool's board: it travels with the pool's queues."""

    path: str
    slots: int


class Board:
    """The memory of one pool's board, as its owner or as one of its workers sees it.

    Raises OSError where the memory cannot be had.
    """

    def __init__(self, link: Link, descriptor: int) -> None:
        self.link = link
        self.descriptor = descriptor
        self.memory = mmap.mmap(descriptor, link.slots * SLOT_WORDS * WORD)
        self.words = memoryview(self.memory).cast("q")

    @classmethod
    def create(cls, slots: int) -> Board:
        """Return a new board; only Linux offers memory without a name (memfd_create(2))."""
        descriptor = os.memfd_create("idlehands-board")
        os.ftruncate(descriptor, slots * SLOT_WORDS * WORD)
        return cls(Link(f"/proc/{os.getpid()}/fd/{descriptor}", slots), descriptor)

    @classmethod
    def open(cls, link: Link) -> Board:
        """Return the board that another process made."""
        return cls(link, os.open(link.path, os.O_RDWR | os.O_CLOEXEC))

    def __del__(self) -> None:
        # The memory goes with the mapping; nobody closes a board, for a reader may have it still.
        with contextlib.suppress(OSError, AttributeError):
            os.close(self.descriptor)

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the board's lock: taken for the few microseconds of taking or retiring a slot."""
        fcntl.lockf(self.descriptor, fcntl.LOCK_EX)
        try:
            yield
        finally:
            fcntl.lockf(self.descriptor, fcntl.LOCK_UN)

    def retire(self, slot: int) -> None:
        """End the stay of a slot's worker, whose process has ended. Call it `locked`."""
        words, base = self.words, slot * SLOT_WORDS
        now, how = monotonic_ns(), LEFT
        if words[base + STARTED]:
            how = DIED
            token = _TOKEN.unpack_from(self.memory, (base + TOKEN) * WORD)
            self.put_task(slot, token, words[base + STARTED], now, NONE, LOST)
            words[base + STARTED] = 0
        stay = words[base + JOINED], now, words[base + PID], words[base + NATIVE_ID], how
        written = words[base + STAYS_WRITTEN]
        offset = base + STAYS_AT + written % STAY_ROWS * STAY_WORDS
        _STAY.pack_into(self.memory, offset * WORD, *stay)
        words[base + STAYS_WRITTEN] = written + 1
        words[base + PID] = 0

    def put_task(
        self, slot: int, token: Token, started: int, ended: int, cpu: int, outcome: int
    ) -> None:
        """Add a row of `TASKS` to a slot."""
        words, base = self.words, slot * SLOT_WORDS
        written = words[base + TASKS_WRITTEN]
        offset = base + HEADER_WORDS + written % TASK_ROWS * TASK_WORDS
        _TASK.pack_into(self.memory, offset * WORD, *token, started, ended, INBOX, cpu, outcome)
        words[base + TASKS_WRITTEN] = written + 1

    def is_dead(self, slot: int) -> bool:
        """Say whether a slot's process has ended without giving the slot back."""
        pid = self.words[slot * SLOT_WORDS + PID]
        return pid != 0 and start_ticks(pid) != self.words[slot * SLOT_WORDS + TICKS]


def start_ticks(pid: int) -> int:
    """Return when a process started (proc(5), stat, field 22), 0 when it has ended."""
    try:
        with open(f"/proc/{pid}/stat", "rb") as file:
            fields = file.read().rpartition(b")")[2].split()
    except OSError:
        return 0
    return 0 if fields[0] in (b"Z", b"X") else int(fields[19])


class BoardWorker:
    """This process as a worker of one board."""

    def __init__(self, board: Board, slot: int) -> None:
        self._board = board
        self._slot = slot
        self._base = slot * SLOT_WORDS
        self._token: Token = NO_TOKEN
        self._started = 0
        self._mark = NONE
        self._after = 0
        self._long: dict[int, bool] = {}

    def running(self, token: Token) -> None:
        """Begin the task of `token`."""
        if self._started:
            self.finished()
        board, base = self._board, self._base
        if self._after:
            self._gap_ended(token)
        every = board.words[base + EVERY]
        if every and token[0] & every:
            board.words[base + SKIPPED] += 1
            return
        self._token = token
        self._mark = thread_time_ns() if self._long.get(token[2]) else NONE
        self._started = monotonic_ns()
        _TOKEN.pack_into(board.memory, (base + TOKEN) * WORD, *token)
        board.words[base + STARTED] = self._started

    def finished(self, outcome: int = FINISHED) -> None:
        """End the task in hand; nothing where none is."""
        started = self._started
        if not started:
            return
        ended = monotonic_ns()
        cpu = thread_time_ns() - self._mark if self._mark >= 0 else NONE
        board, token = self._board, self._token
        board.put_task(self._slot, token, started, ended, cpu, outcome)
        board.words[self._base + STARTED] = self._started = 0
        every = board.words[self._base + EVERY]
        self._long[token[2]] = not every and ended - started >= CPU_WORTH_NS
        self._after = ended if every else 0

    def _gap_ended(self, token: Token) -> None:
        """Record the gap behind a recorded task: it stands for those behind the others."""
        board, base = self._board, self._base
        state = PARKED if token[3] > self._after else FETCHING
        written = board.words[base + GAPS_WRITTEN]
        offset = base + GAPS_AT + written % GAP_ROWS * GAP_WORDS
        row = self._after, monotonic_ns(), state, 0, NONE, NONE
        _GAP.pack_into(board.memory, offset * WORD, *row)
        board.words[base + GAPS_WRITTEN] = written + 1
        self._after = 0

    def count_only(self) -> None:
        """Record no task from now on, only count them."""
        self._board.words[self._base + EVERY] = 1

    def amend(self, outcome: int) -> None:
        """Change the outcome of the task that ended last: its result could not be sent."""
        words, base = self._board.words, self._base
        last = words[base + TASKS_WRITTEN] - 1
        if last >= 0:
            words[base + HEADER_WORDS + last % TASK_ROWS * TASK_WORDS + TASK_WORDS - 1] = outcome

    def leave(self) -> None:
        """Give the slot back."""
        self.finished()
        with self._board.locked():
            self._board.retire(self._slot)


_workers: dict[tuple[int, str], BoardWorker | None] = {}


def worker_of(link: Link) -> BoardWorker | None:
    """Return this process as a worker of the board at `link`, None where that cannot be."""
    key = os.getpid(), link.path
    if key not in _workers:
        try:
            _workers[key] = _take_slot(Board.open(link))
        except (OSError, ValueError) as error:
            warn("worker process %d is not probed: %s", os.getpid(), error)
            _workers[key] = None
    return _workers[key]


def leave(link: Link) -> None:
    """This process is no worker of the board at `link` any more."""
    worker = _workers.pop((os.getpid(), link.path), None)
    if worker is not None:
        worker.leave()


def _take_slot(board: Board) -> BoardWorker:
    with board.locked():
        for slot in range(board.link.slots):
            if board.is_dead(slot):
                board.retire(slot)
            if board.words[slot * SLOT_WORDS + PID] == 0:
                _sign(board, slot)
                return BoardWorker(board, slot)
    raise ValueError(f"all {board.link.slots} slots of its pool are taken")


def _sign(board: Board, slot: int) -> None:
    import multiprocessing  # a worker process has it already

    words, base = board.words, slot * SLOT_WORDS
    name = multiprocessing.current_process().name.encode("utf-8", "replace")[:NAME_BYTES]
    offset = (base + NAME) * WORD
    board.memory[offset : offset + NAME_BYTES] = name.ljust(NAME_BYTES, b"\0")
    words[base + TICKS] = start_ticks(os.getpid())
    words[base + JOINED] = monotonic_ns()
    words[base + NATIVE_ID] = threading.get_native_id()
    words[base + IDENT] = threading.get_ident()
    words[base + LAST_PID] = os.getpid()
    words[base + PID] = os.getpid()
