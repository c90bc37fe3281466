"""Where everything lies in a slot of the shared memory, in 64-bit integers from the slot's begin.

A slot is a header of `HEADER_CELLS` integers and behind it three rings of packed rows: tasks,
worker lifetimes and idle intervals. The end of the header counts exceptions, see `_raised`. All
integers are in the machine's own byte order: the memory never leaves it.
"""

from __future__ import annotations

import struct

from ._packed_rows import CELL_BYTES
from ._raised import RAISED_CELLS
from ._tables import IDLE_INTERVALS, TASKS, TOKEN_COLUMNS, WORKER_LIFETIMES

PID, TICKS, JOINED, NATIVE_ID, IDENT, TASKS_WRITTEN, LIFETIMES_WRITTEN, STARTED, TOKEN = range(9)
NAME, NAME_BYTES = 16, 64
IDLE_INTERVALS_WRITTEN, SKIPPED, EVERY, LAST_PID, REFUSED = range(24, 29)
"""`EVERY` and `REFUSED` are the pool's, and used in the first slot only. The owner writes `EVERY`,
the mask of the present step of detail (see `_detail`). `REFUSED` counts the worker processes
that found no free slot."""
RAISED = 32
HEADER_CELLS = RAISED + RAISED_CELLS

TASK_CELLS = TASKS.width
LIFETIME_CELLS = WORKER_LIFETIMES.width
IDLE_CELLS = IDLE_INTERVALS.width
TASK_ROWS, LIFETIME_ROWS, IDLE_ROWS = 1 << 10, 1 << 8, 1 << 9
LIFETIMES_AT = HEADER_CELLS + TASK_ROWS * TASK_CELLS
IDLE_INTERVALS_AT = LIFETIMES_AT + LIFETIME_ROWS * LIFETIME_CELLS
SLOT_CELLS = IDLE_INTERVALS_AT + IDLE_ROWS * IDLE_CELLS
SLOT_BYTES = SLOT_CELLS * CELL_BYTES
STARTED_NS = TASKS.names.index("started_ns")

MOST = (1 << 63) - 1
"""The largest integer; a count that was damaged goes on from 0 past it."""

_token = struct.Struct(f"={TOKEN_COLUMNS}q")
pack_token, token_at = _token.pack_into, _token.unpack_from
pack_task = struct.Struct(f"={TASK_CELLS}q").pack_into
pack_lifetime = struct.Struct(f"={LIFETIME_CELLS}q").pack_into
pack_idle_interval = struct.Struct(f"={IDLE_CELLS}q").pack_into
