"""The row types of the wire, each declared once.

Codec, ledger, export and docs take column names, order, units and meaning from here.
Every column is a signed 64-bit integer; times are CLOCK_MONOTONIC nanoseconds, which all
processes of one host share. This module touches nothing: it is data.
"""

from __future__ import annotations


class Column:
    """One column of a table: its name (which carries the unit) and what it means."""

    __slots__ = ("meaning", "name")

    def __init__(self, name: str, meaning: str) -> None:
        self.name = name
        self.meaning = meaning


class Table:
    """One table: its name on the wire, what a row stands for, and its columns in order.

    Attributes: name, row, columns, names (of the columns), width (how many integers a packed row
    has: one a column).
    """

    __slots__ = ("columns", "name", "names", "row", "width")

    def __init__(self, name: str, row: str, columns: tuple[Column, ...]) -> None:
        self.name = name
        self.row = row
        self.columns = columns
        self.names = tuple(column.name for column in columns)
        self.width = len(columns)


MOST_WORKERS = 1024
"""The most workers of a pool: steal attempts are counted for every pair of them."""

NONE = -1
"""Stands in any column for: no worker, no task, or not read."""

OWN_DEQUE = -1
"""In ``taken_from``: the newest task of the worker's own deque."""
INBOX = -2
"""In ``taken_from``: the pool's shared inbox or queue."""
OTHER_POOL = -3
"""In ``taken_from``: another pool, in whose record the task has moved."""

FINISHED = 0
FAILED = 1
CANCELLED = 2
LOST = 3
MOVED = 4
OUTCOMES = ("finished", "failed", "cancelled", "lost", "moved")
"""By number. A task is lost if its worker's thread or process ended inside it. It has moved if a
worker of another pool took it; there it has a row of its own."""

LEFT = 0
DIED = 1
"""How a worker's lifetime in its pool ended: it left, or it ended inside a task."""

SEARCHING = 0
PARKED = 1
FETCHING = 2
IDLE_STATES = ("searching", "parked", "fetching")

TASKS = Table(
    "tasks",
    "a task that a worker ran to its end",
    (
        Column("task", "number of the task, unique in its pool, counted up from 0"),
        Column("parent", "the task that spawned it, -1 from outside"),
        Column("kind", "index into the pool's kinds"),
        Column("spawned_ns", "when it was handed to the pool"),
        Column("spawned_by", "worker that spawned it, -1 from outside"),
        Column("size", "the caller's hint of its size, -1 where none was given"),
        Column("started_ns", "when a worker began it"),
        Column("ended_ns", "when it returned or raised"),
        Column("taken_from", "-1 own deque, -2 inbox, -3 another pool, else the victim's index"),
        Column("cpu_ns", "thread CPU time of it outside its waits, -1 where not read"),
        Column("outcome", "0 finished, 1 failed, 2 cancelled, 3 lost with its worker, 4 moved"),
    ),
)

TOKEN_COLUMNS = TASKS.names.index("started_ns")
"""The first so many columns of `TASKS` are a task's token: known when it is handed in."""

WAITS = Table(
    "waits",
    "a wait inside a task: a join, or any other declared wait",
    (
        Column("task", "the task that waited"),
        Column("began_ns", "when the wait began"),
        Column("ended_ns", "when it ended"),
        Column("on_task", "the task joined, -1 for any other wait"),
        Column("helped", "how many other tasks the worker ran meanwhile"),
    ),
)

IDLE_INTERVALS = Table(
    "gaps",
    "an idle interval: the worker reported that it had no task",
    (
        Column("began_ns", "when the interval began"),
        Column("ended_ns", "when it ended"),
        Column("state", "0 searching, 1 parked, 2 fetching the next task"),
        Column("attempts", "steal attempts during it"),
        Column("woken_by", "worker that sent the wake, -1 from outside or not parked"),
        Column("woken_ns", "when the wake was sent, -1 unknown or not parked"),
    ),
)

SPAWNS = Table(
    "spawns",
    "a task handed to the pool, sent at once so that the queue's length is known before the task "
    "ends; a row's number is the task's",
    (Column("spawned_ns", "when it was handed to the pool"),),
)

CONTENTION = Table(
    "meetings",
    "a contended operation at the end of a deque: it waited, or lost its task",
    (
        Column("at_ns", "when its wait ended, or when it had lost"),
        Column("owner", "worker whose deque it was"),
        Column("length", "tasks that the deque held then, -1 unknown"),
        Column("waited_ns", "how long it waited, -1 where it lost a task instead"),
    ),
)

WORKER_LIFETIMES = Table(
    "stays",
    "the lifetime of a worker, a thread or a process, in its pool",
    (
        Column("began_ns", "when it joined"),
        Column("ended_ns", "when it left"),
        Column("pid", "the process it was or was in"),
        Column("native_id", "the kernel's number of its thread"),
        Column("how", "0 left, 1 died in a task"),
    ),
)

STEAL_ATTEMPTS = ("thief", "victim", "hits", "empties", "lost_races")
"""The columns of a ``counters`` frame, one row a pair of workers; they are no table."""

TABLES = {
    table.name: table
    for table in (TASKS, WAITS, IDLE_INTERVALS, SPAWNS, WORKER_LIFETIMES, CONTENTION)
}
