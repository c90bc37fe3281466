"""Every closed set of words, one enum each."""

from __future__ import annotations

RUNNING = "running"


WAIT_SORTS = ("interpreter lock", "lock", "sleep", "input/output", "child process", "other")
"""What a thread that is off the core can be seen to wait for."""


WORDS = (*WAIT_SORTS, RUNNING)
"""By code: the place of a sort, and -1 for running."""
