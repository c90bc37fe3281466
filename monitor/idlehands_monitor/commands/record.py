"""`idlehands record`: the recorder that `idlehands run --capture` starts before its job.

It becomes a session of its own whose parent has ended: no signal of the job's terminal reaches it,
and the job does not have it as a child. It says on a pipe that it is ready, or why it cannot
record. What goes wrong later it says on the standard error that it has from the job; when the
job's first process has ended it lets go of that, so that nobody waits for its end.
"""

from __future__ import annotations

import contextlib
import os
import signal
from typing import TYPE_CHECKING

from ..model.errors import DONE, LONGEST_MESSAGE, USAGE, CommandError
from ..session.recorder import Recorder
from ..views.foreign_text import clean
from .output import interrupted, message

if TYPE_CHECKING:
    import argparse

READY = "ready"
COMMAND = "run"
"""What messages name: the command that a person has typed."""
MOST_DESCRIPTORS = 1 << 16


def run(options: argparse.Namespace) -> int:
    """Record a job to its end."""
    if os.fork():
        os._exit(DONE)
    os.setsid()
    os.closerange(3, options.says)
    os.closerange(options.says + 1, MOST_DESCRIPTORS)
    for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
        signal.signal(number, interrupted)
    try:
        recorder = Recorder(
            options.socket,
            options.job,
            options.capture,
            replace=options.force,
            most_bytes=options.max,
            takes_stacks=options.takes_stacks,
        )
    except CommandError as error:
        _say(options.says, clean(str(error), LONGEST_MESSAGE))
        return USAGE
    with recorder:
        _say(options.says, READY)
        with contextlib.suppress(KeyboardInterrupt):
            recorder.record(_let_go)
        _finish(recorder)
    return DONE


def _say(pipe: int, text: str) -> None:
    with contextlib.suppress(OSError):
        os.write(pipe, text.encode())
    os.close(pipe)


def _finish(recorder: Recorder) -> None:
    try:
        recorder.finish()
    except CommandError as error:
        message(str(error), COMMAND)
        return
    if recorder.warning:
        message(recorder.warning, COMMAND)
    elif not recorder.has_begun:
        message(f"{recorder.path} holds no task: no probed pool of the job has run any", COMMAND)


def _let_go() -> None:
    """Let go of the job's standard error: its first process has ended, others go on."""
    target = os.open(os.devnull, os.O_WRONLY)
    os.dup2(target, 2)
    os.close(target)
