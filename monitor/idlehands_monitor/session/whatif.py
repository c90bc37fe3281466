"""What-if questions of a session: simulated runs in other processes, so that nothing waits for
them.

A command asks and waits (`answered`); a screen asks and looks later (`WhatIf`). The answers are
made from whatever runs there are when time is up or somebody says stop.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
from enum import StrEnum
from typing import TYPE_CHECKING

from ..analysis.asking import ask
from ..analysis.whatif.planning import Plan, Run, answers, play
from ..model.changes import Question
from ..model.whatif import WhatIfReading
from .pickled import pickled

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from ..ledger import Ledger
    from ..model.reading import Reading

LIVE_TASKS = 4_000
"""So many tasks at most are simulated for a screen."""
EARLIER_NS = 3_000_000_000
"""A simulating process gets the rows since so long before the window: some that ended there are
about what is in it."""
PARENT_SECONDS = 0.5
"""How often a simulating process looks whether the one that asked is still there."""
SIMULATOR = (sys.executable, "-P", "-m", "idlehands_monitor.session.whatif_process")
NO_ANSWER = "the simulation ended without an answer"


def answered(
    ledger: Ledger,
    reading: Reading,
    question: Question,
    progress: Callable[[float], None],
    seconds: float | None = None,
    processes: int | None = None,
) -> WhatIfReading:
    """Return the answers to a question; ctrl+c ends the simulation, not the answer.

    `progress` is called with the part that is done. seconds: no more runs are begun after so long;
    each change gets one run in any case. Raises WhatIfError.
    """
    plan = ask(ledger, reading, question)
    values: dict[Run, float] = {}
    deadline = None if seconds is None else time.monotonic() + seconds
    least = sum(1 for run in plan.runs if run.seed == 0)
    try:
        for run, value in _played(plan, processes or len(os.sched_getaffinity(0))):
            values[run] = value
            progress(len(values) / len(plan.runs))
            if deadline is not None and len(values) >= least and time.monotonic() > deadline:
                break
    except KeyboardInterrupt:
        pass
    pools, whole = answers(plan, values)
    return WhatIfReading(reading.source, pools, whole, reading.window_ns)


_plan: Plan | None = None
"""The plan that a simulating process was started for."""


def _hold(plan: Plan) -> None:
    global _plan  # noqa: PLW0603 - each process works on one plan
    _plan = plan
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # ctrl+c is for the process that asked
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    threading.Thread(target=_leave_with, args=(os.getppid(),), daemon=True).start()


def _leave_with(parent: int) -> None:
    """End once the process that asked has ended: if it was killed, nobody else tells this one."""
    while os.getppid() == parent:
        time.sleep(PARENT_SECONDS)
    os._exit(1)


def _play(run: Run) -> tuple[Run, float]:
    assert _plan is not None  # noqa: S101 - `_hold` has been called first
    return run, play(_plan, run)


def _played(plan: Plan, processes: int) -> Iterator[tuple[Run, float]]:
    """Yield each run with its value as it is made, nearly in the order of the plan's runs."""
    if processes < 2 or len(plan.runs) < 2:
        yield from ((run, play(plan, run)) for run in plan.runs)
        return
    # Forked processes share the plan, which may be large.
    with multiprocessing.get_context("fork").Pool(processes, _hold, (plan,)) as pool:
        yield from pool.imap_unordered(_play, plan.runs)


NICENESS = 10
"""Simulations give way to the job that is watched."""


class State(StrEnum):
    """What has become of a screen's question."""

    IDLE = "idle"
    RUNNING = "running"
    DONE = "done"
    REFUSED = "refused"


class WhatIf:
    """The question of a screen: answered by a process of its own. No call waits for that process.

    state, progress (0 to 1): of the last question. reading: its answers, None until there are any.
    refusal: why there are none. recorded: returns what a question is about, given a reading or
    None for a fresh one.
    """

    def __init__(self, recorded: Callable[[Reading | None], tuple[Ledger, Reading]]) -> None:
        self.state = State.IDLE
        self.progress = 0.0
        self.reading: WhatIfReading | None = None
        self.refusal = ""
        self._recorded = recorded
        self._simulation: _Simulation | None = None

    def ask(
        self,
        question: Question | None = None,
        about: Reading | None = None,
        *,
        niceness: int = NICENESS,
    ) -> None:
        """Ask a question, the whole list of changes unless one is given; an earlier one ends.

        about: a reading of just now, whose verdicts may be older; a fresh one unless it is given.
        niceness: of the simulating process.
        """
        self.cancel()
        question = question or Question(most_tasks=LIVE_TASKS)
        self.state, self.progress, self.refusal = State.RUNNING, 0.0, ""
        try:
            ledger, reading = self._recorded(about)
            since_ns = min((pool.begin_ns for pool in reading.pools), default=0) - EARLIER_NS
            asked = pickled((ledger, reading, question), since_ns, attempts=False)
            self._simulation = _Simulation(asked, niceness)
        except OSError as error:
            self._end(State.REFUSED, f"no process could be started: {error}")

    def look(self) -> bool:
        """Take what the other process has said; return whether anything has changed."""
        before = (self.state, self.progress)
        ended = self._simulation is not None and self._simulation.has_ended
        try:
            while self._simulation is not None and self._simulation.answers.poll():
                self._take(self._simulation.answers.recv())
        except (EOFError, OSError):
            ended = True
        if ended and self._simulation is not None:
            self._end(State.REFUSED, NO_ANSWER)
        return (self.state, self.progress) != before

    def _take(self, said: float | str | WhatIfReading) -> None:
        if isinstance(said, WhatIfReading):
            self.reading = said
            self._end(State.DONE)
        elif isinstance(said, str):
            self._end(State.REFUSED, said)
        else:
            self.progress = said

    def _end(self, state: State, refusal: str = "") -> None:
        self.state, self.refusal = state, refusal
        if self._simulation is not None:
            self._simulation.end()
        self._simulation = None

    def cancel(self) -> None:
        """End a question that has no answer yet."""
        if self.state is State.RUNNING:
            self._end(State.IDLE)


class _Simulation:
    """The process that answers one question. answers: what it says.

    A thread hands the question over, and another one waits for the end of the process.
    """

    def __init__(self, asked: bytes, niceness: int) -> None:
        self.answers, other = multiprocessing.Pipe(duplex=False)
        with other:
            # Not by multiprocessing: it starts no process where a screen stands in for sys.stderr.
            self._process = subprocess.Popen(
                [*SIMULATOR, str(other.fileno()), str(niceness)],
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                pass_fds=(other.fileno(),),
            )
        self._handing = threading.Thread(target=self._hand_over, args=(asked,))
        self._handing.start()

    def _hand_over(self, asked: bytes) -> None:
        with contextlib.suppress(OSError):  # it has ended, and no longer reads
            self._process.communicate(asked)

    @property
    def has_ended(self) -> bool:
        """Whether the process has ended; what it said before may still be to be taken."""
        return self._process.poll() is not None

    def end(self) -> None:
        """End the process, whether it has answered or not."""
        self._process.terminate()
        threading.Thread(target=self._reap).start()

    def _reap(self) -> None:
        self._handing.join()
        self._process.wait()
        self.answers.close()
