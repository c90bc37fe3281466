"""A pool whose workers are processes, as its owner reads it: from the pool's board."""

from __future__ import annotations

from collections.abc import Sequence
from time import monotonic_ns
from typing import Any, Callable

from . import _board as layout
from ._board import SLOT_WORDS, WORD, Board
from ._pool import nanoseconds_of
from ._rings import Token
from ._shared import SharedPool
from ._tables import GAPS, INBOX, NONE, STAYS, TASKS, Table
from ._words import WordRows

LOOK_FOR_DEAD_NS = 200_000_000
TOKEN: Token = (1, NONE, 0, 1, NONE, NONE)
"""A token to calibrate with."""

_prices: list[float] = []


class BoardRing:
    """One table of one slot; reads as `_rings.Ring` does."""

    def __init__(self, board: Board, table: Table, counter: int, begin: int, rows: int) -> None:
        self._board = board
        self._table = table
        self._counter = counter
        self._begin = begin
        self._rows = rows

    @property
    def written(self) -> int:
        """How many rows were ever put."""
        return int(self._board.words[self._counter])

    def read(self, position: int, limit: int) -> tuple[int, WordRows]:
        """Return (number of the first row returned, rows), `limit` at most; see `Ring.read`."""
        size, width = self._rows, len(self._table.columns)
        end = self.written
        first = max(position, end + 1 - size)
        end = min(end, first + limit)
        data = self._copy(first, end)
        safe = self.written + 1 - size
        if safe > first:
            data = data[(min(safe, end) - first) * width * WORD :]
            first = min(safe, end)
        return first, WordRows(self._table, data)

    def _copy(self, first: int, end: int) -> bytes:
        if end <= first:
            return b""
        low, high = first % self._rows, end % self._rows
        if low < high:
            return self._words(low, high)
        return self._words(low, self._rows) + self._words(0, high)

    def _words(self, low: int, high: int) -> bytes:
        width = len(self._table.columns)
        begin = self._begin
        return self._board.words[begin + low * width : begin + high * width].tobytes()


class BoardView:
    """One slot, with the fields that the outlet reads of any worker."""

    taken_from = INBOX
    gap = None
    stack: tuple[Any, ...] = ()

    def __init__(self, board: Board, index: int) -> None:
        self.index = index
        self._board = board
        self._base = base = index * SLOT_WORDS
        begin, stays = base + layout.HEADER_WORDS, base + layout.STAYS_AT
        self.tasks = BoardRing(board, TASKS, base + layout.TASKS_WRITTEN, begin, layout.TASK_ROWS)
        self.cpu_kinds: set[int] = set()
        gaps = base + layout.GAPS_AT
        self.gaps = BoardRing(board, GAPS, base + layout.GAPS_WRITTEN, gaps, layout.GAP_ROWS)
        self.stays = BoardRing(board, STAYS, base + layout.STAYS_WRITTEN, stays, layout.STAY_ROWS)

    def rings(self) -> tuple[tuple[Table, Any], ...]:
        """Return the tables of this worker, with their rings."""
        return (TASKS, self.tasks), (STAYS, self.stays), (GAPS, self.gaps)

    @property
    def tasks_run(self) -> int:
        """How many tasks its processes have run, recorded or only counted."""
        return self.tasks.written + self._word(layout.SKIPPED)

    def _word(self, place: int) -> int:
        return int(self._board.words[self._base + place])

    @property
    def pid(self) -> int:
        """The process that has the slot, the last one where nobody has."""
        return self._word(layout.LAST_PID) or NONE

    @property
    def native_id(self) -> int:
        """The kernel's number of its main thread, the last one's where nobody has the slot."""
        return self._word(layout.NATIVE_ID)

    @property
    def ident(self) -> int:
        """Its main thread's identifier in that process."""
        return self._word(layout.IDENT)

    @property
    def thread_name(self) -> str:
        """The process's name."""
        offset = (self._base + layout.NAME) * WORD
        name = self._board.memory[offset : offset + layout.NAME_BYTES]
        return name.rstrip(b"\0").decode("utf-8", "replace")

    @property
    def joined_ns(self) -> int:
        """When the present process took the slot, -1 when nobody has it."""
        return self._word(layout.JOINED) if self._word(layout.PID) else NONE

    @property
    def started(self) -> int:
        """When its present task began, 0 outside one."""
        return self._word(layout.STARTED)

    @property
    def open_token(self) -> Token | None:
        """The token of its present task, None outside one."""
        started = self.started
        first = self._base + layout.TOKEN
        words = self._board.words[first : first + 6].tolist()
        if not started or started != self.started:
            return None
        return tuple(words)  # type: ignore[return-value]

    def weigh(self, rows: Sequence[Any]) -> None:
        """Do nothing: a worker process chooses for itself which CPU times it reads."""


class BoardPool(SharedPool):
    """A shared pool whose workers are processes."""

    __slots__ = ("_looked_ns", "board", "seen", "why_broken")

    sampled_by = "started_ns"

    def __init__(self, name: str, kind: str, number: int, most_workers: int, board: Board) -> None:
        super().__init__(name, kind, number, most_workers)
        self.board = board
        self.why_broken: Callable[[], str] = lambda: ""
        self._looked_ns = NONE
        self.seen: tuple[int, ...] = ()

    def refresh(self, *, at_once: bool = False) -> None:
        """Find workers that are new, have ended or were replaced."""
        board, now = self.board, monotonic_ns()
        while len(self.probes) < board.link.slots:
            base = len(self.probes) * SLOT_WORDS
            if not board.words[base + layout.PID] and not board.words[base + layout.STAYS_WRITTEN]:
                break
            self.probes.append(BoardView(board, len(self.probes)))
        self.workers = len(self.probes)
        if at_once or now - self._looked_ns >= LOOK_FOR_DEAD_NS:
            self._looked_ns = now
            for probe in self.probes:
                if board.is_dead(probe.index):
                    with board.locked():
                        if board.is_dead(probe.index):
                            board.retire(probe.index)
        signature = tuple(probe.joined_ns for probe in self.probes)
        if signature != self.seen:
            self.seen = signature
            self.revision += 1
        super().refresh()

    def compact(self) -> None:
        """Do nothing yet: the rows lie in the board."""
        self.is_compact = True

    def memory_bytes(self) -> int:
        """Return about how much memory the board takes."""
        return self.board.link.slots * SLOT_WORDS * WORD

    def turn_to(self, step: int) -> None:
        """Record in the detail of `step` from now on: which tasks, the worker processes choose."""
        super().turn_to(step)
        every, self.every = self.every, 0
        for slot in range(self.board.link.slots):
            self.board.words[slot * SLOT_WORDS + layout.EVERY] = every

    def price(self) -> tuple[float, float]:
        """Return nanoseconds that a task costs its worker process, (recorded, counted)."""
        if not _prices:
            worker = layout.BoardWorker(Board.create(1), 0)

            def record() -> None:
                worker.running(TOKEN)
                worker.finished()

            _prices.append(nanoseconds_of(record))
            worker.count_only()
            _prices.append(nanoseconds_of(record))
        return _prices[0], _prices[1]

    def last_tasks(self) -> set[int]:
        """Return the numbers of the tasks in the board's rows, the last of each worker's."""
        numbers: set[int] = set()
        for probe in self.probes:
            written = probe.tasks.written
            _, rows = probe.tasks.read(max(0, written - layout.TASK_ROWS), layout.TASK_ROWS)
            numbers.update(rows.column("task"))
        return numbers

    def broken(self) -> str:
        """Return why the pool cannot be used any more."""
        return self.why_broken()
