"""The error that ends a command: one line for a person and an exit status, never a traceback."""

from __future__ import annotations

DONE = 0
CHECK_FAILED = 1
USAGE = 2
NOTHING_TO_WATCH = 3

LONGEST_MESSAGE = 2000
"""Characters in such a line: names from the target may be long."""


class CommandError(Exception):
    """A command cannot go on; `status` is its exit status, the message one line."""

    def __init__(self, message: str, status: int = USAGE) -> None:
        super().__init__(message)
        self.status = status
