"""What the monitor takes in at most, in one place: docs/capture-format.md says the same in a table.

Bytes from a socket or a file may come from anybody. They are held to these limits where they come
in; what is beyond is skipped, counted and said. Nothing behind it checks again.
"""

from __future__ import annotations

from idlehands.wire import MOST_BYTES, MOST_WORKERS

# One frame
FRAME_BYTES = MOST_BYTES
FRAME_LISTS = 1 << 18
"""Lists and maps in one frame: 4096 stacks of 40 frames each are 170,000."""
TEXT_LETTERS = 400
"""Of a name, a path or a reason; a longer one is cut."""
TASK_KINDS = 4096
LISTED_WORKERS = 1 << 14
"""Workers named, or whose present state is told, in one frame."""
WORKERS = MOST_WORKERS
"""Of one pool; of further ones tasks are counted, and nothing else is read."""
OPEN_INTERVALS = 1 << 16
"""Of all workers of a pool at a moment: each task that waits in a task adds two."""
STEPS = 1024
THREADS = 1 << 14
"""Threads sampled at one moment."""
STACK_FRAMES = 40
TIMESTAMP_NS = 1 << 58
"""Any moment of the host's monotonic clock lies between -1 (unknown) and this, nine years."""
DURATION_NS = TIMESTAMP_NS
NUMBER = 1 << 53
"""Any count, and the number of any task or row: a double holds every smaller integer."""
PROCESS_ID = 1 << 31
THREAD_ID = (1 << 64) - 1
CORES = 1 << 20

# One job
PROCESSES = 4096
POOLS = 512
"""Held at a time; a closed one makes room for another."""
JOB_WORKERS = 1 << 13
"""Of all pools held at a time."""
JOB_PAIRS = 1 << 20
"""Pairs of workers of one pool, over all pools held: steals are counted for each."""

# One capture
BLOCK_BYTES = 16 << 20
"""Of frames in one block; a writer closes one past 4 MiB."""
FREE_BYTES, BYTES_A_BYTE = 8 << 20, 16
"""A capture may unpack to so many bytes, and to so many more for each of its own."""
FREE_FRAMES, BYTES_A_FRAME = 1 << 16, 32
"""It may hold so many frames, and one more for so many of its bytes."""

# Memory
LIVE_TABLE_BYTES, FILE_TABLE_BYTES = 36 << 20, 120 << 20
"""What rows may take, all pools together: past it the oldest of the largest pool go. With what else
is held, and what is worked out of them, a live job keeps within 300 MB and a capture within 500."""
QUEUE_BYTES = 16 << 20
"""What may wait for the caller of a live stream. One that comes faster than it is drained loses
whole batches; a capture still has them."""
HISTORY_BYTES = 24 << 20
"""How much of the recent past of a live stream is kept, to begin a capture with."""
WAITING_BYTES = 32 << 20
"""What may wait to be written to a capture; the past before it is held in memory anyway."""
