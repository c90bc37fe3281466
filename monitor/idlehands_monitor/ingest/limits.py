"""The limits of what the monitor takes in. docs/capture-format.md has the same limits as a table.

Bytes from a socket or a file may come from anybody. `ingest` applies these limits to them; what is
beyond a limit is skipped, counted and reported. No later code checks again.
"""

from __future__ import annotations

from idlehands.wire import MOST_BYTES, MOST_WORKERS

# One frame
FRAME_BYTES = MOST_BYTES
FRAME_LISTS = 1 << 18
"""Lists and maps in one frame: 4096 stacks of 40 frames each are 170,000."""
TEXT_LETTERS = 400
"""Characters of a name, a path or a reason; a longer one is cut."""
NOTE_LETTERS = 200
"""Characters of a mark's note; a longer one is cut."""
TASK_KINDS = 4096
LISTED_WORKERS = 1 << 14
"""Workers in one frame, by name or with their present state."""
WORKERS = MOST_WORKERS
"""Workers of one pool; of further workers only the number of tasks is read."""
OPEN_INTERVALS = 1 << 16
"""Open intervals of all workers of a pool at one time: a task that waits in a task adds two."""
RAISED = 1024
"""Kinds and exceptions of a pool that are counted apart."""
STEPS = 1024
THREADS = 1 << 14
"""Threads in one sample."""
STACK_FRAMES = 40
TIMESTAMP_NS = 1 << 58
"""Timestamps of the host's monotonic clock lie between -1 (unknown) and this, nine years."""
WALL_NS = 1 << 62
"""The wall clock, in ns since 1970, is at most this: the year 2116."""
DURATION_NS = TIMESTAMP_NS
NUMBER = 1 << 53
"""Counts, and numbers of tasks and rows, are at most this: a double holds every smaller integer."""
PROCESS_ID = 1 << 31
THREAD_ID = (1 << 64) - 1
CORES = 1 << 20

# One job
PROCESSES = 4096
POOLS = 512
"""Pools held at a time; a closed pool makes room for another."""
JOB_WORKERS = 1 << 13
"""Workers of all pools held at a time."""
MARKS = 1024
"""Marks that a person has set in one job."""
JOB_PAIRS = 1 << 20
"""Pairs of workers of one pool, summed over all pools held: steals are counted for each pair."""

PAGES = 1024
"""Pages with the last state of a process that are read of one folder."""

# One capture
BLOCK_BYTES = 16 << 20
"""Frames in one block take at most so much; a writer closes a block past 4 MiB."""
FREE_BYTES, BYTES_A_BYTE = 8 << 20, 128
"""A capture may unpack to `FREE_BYTES`, and to `BYTES_A_BYTE` more for each byte of the file."""
FREE_FRAMES, BYTES_A_FRAME = 1 << 16, 8
"""A capture may hold `FREE_FRAMES`, and one frame more for each `BYTES_A_FRAME` of the file."""

# Memory
LIVE_TABLE_BYTES, FILE_TABLE_BYTES = 36 << 20, 120 << 20
"""Rows of all pools together; past this the oldest rows of the largest pool are dropped. With all
other data and the analysis, a live job stays within 300 MB and a capture within 500 MB."""
QUEUE_BYTES = 16 << 20
"""Frames of a live stream that may wait for the caller. A stream that arrives faster than it is
drained loses whole batches; an open capture still gets them."""
HISTORY_BYTES = 24 << 20
"""Recent history of a live stream, with which a capture begins."""
WAITING_BYTES = 32 << 20
"""Frames that may wait to be written to a capture, beside the history at its begin."""
