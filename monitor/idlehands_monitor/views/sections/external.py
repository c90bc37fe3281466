"""An external process: what samples do not show, its pools, their stacks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.external import RUNS_PROBED
from ...model.vocabulary import CoreTimeSource, ExternalState
from ..foreign_text import bounded
from ..formatting import number_of, seconds
from .facts import Column, Section, Sentence, Table, Tone, plain
from .findings import findings
from .places import NAME_LETTERS, place_text
from .time_split import EXTERNAL_NOTE, WorkerRow, time_split, workers_section
from .waits import external_waits

if TYPE_CHECKING:
    from ...model.external import ExternalPoolReading, ExternalWorkerReading, StackReading
    from ...model.reading import Reading

NOT_RECORDED = (
    "This process is external: it is sampled, not recorded. Samples do not show how many tasks "
    "ran, how long they waited in the queue, whether parked workers were starved or had no work, "
    "what was stolen or handed over, or how fast workers woke."
)
PROBE_ADVICE = "To see these too, run the job with a probe: idlehands run."
NO_TASK_YET = (
    "The job runs under idlehands run, but none of its pools had taken a task when this began: "
    "watch it again once one has, to see these too."
)
LIBRARY_ADVICE = (
    "The worker processes of {library} are not probed by idlehands run, which knows the pools of "
    "concurrent.futures, multiprocessing, multiprocess, loky and joblib."
)
STILL_SHOWN = "Working and run-queue wait are shown all the same, from the kernel's counters"


def external_head(reading: Reading) -> Section | None:
    """Return what samples do not show, and how to see it; None for a process with a probe."""
    if not reading.external:
        return None
    parts = (Sentence(NOT_RECORDED, Tone.STRONG), *plain(*advice_lines(reading)))
    return Section("External process", parts=parts, level=2)


def external_pool(pool: ExternalPoolReading) -> list[Section | None]:
    """Return all sections of one external pool."""
    lead = (
        f"looks like {origin(pool)}; {number_of(len(pool.workers), 'worker')}, "
        f"{dumps_text(pool)}, {pool.time.worker_seconds:.1f} worker-seconds"
    )
    missing = (Sentence(missing_text(pool), Tone.STRONG),) if pool.missing else ()
    return [
        Section(f"Pool {bounded(pool.name, NAME_LETTERS)}", lead, missing, level=2),
        time_split(pool.time, CoreTimeSource.KERNEL, "" if pool.missing else EXTERNAL_NOTE),
        external_waits(pool.time),
        findings(pool),
        _stacks("Most often parked in", pool.parked_stacks),
        _stacks("Most often blocked in", pool.blocked_stacks),
        _workers(pool),
    ]


def _stacks(title: str, stacks: tuple[StackReading, ...]) -> Section | None:
    if not stacks:
        return None
    columns = (Column("samples", to_right=True), Column("stack, innermost frame first"))
    rows = tuple((str(stack.samples), stack_text(stack)) for stack in stacks)
    return Section(title, parts=(Table(columns, rows),))


def _workers(pool: ExternalPoolReading) -> Section:
    rows = (
        WorkerRow(
            worker.index,
            worker.name,
            worker.time,
            (state_text(worker) if worker.time.shares else f"{state_text(worker)}; no counters",),
        )
        for worker in pool.workers
    )
    return workers_section(rows, (Column("at the last sample"),))


def stack_text(stack: StackReading) -> str:
    """Return where workers were seen, innermost first."""
    return " ← ".join(map(place_text, stack.frames)) or "no Python frame"


def state_text(worker: ExternalWorkerReading) -> str:
    """Return what a worker was in at its last sample."""
    state: str = "not known" if worker.state == ExternalState.UNKNOWN else worker.state
    if worker.state == ExternalState.UNKNOWN and worker.waits_for:
        state = f"off the core, {bounded(worker.waits_for, 30)}"
    elif worker.state == ExternalState.BLOCKED and worker.waits_for:
        state = f"blocked, {bounded(worker.waits_for, 30)}"
    return state


def origin(pool: ExternalPoolReading) -> str:
    """Return what a pool looks like and whose it is."""
    module = pool.module if pool.module != pool.name else ""
    named = f" of {bounded(module, NAME_LETTERS)}" if module else ""
    return f"{bounded(pool.kind, 30)}{named}, process {pool.pid}"


def missing_text(pool: ExternalPoolReading) -> str:
    """Return why there are no stacks and what is known without them; empty where there are
    stacks."""
    if not pool.missing:
        return ""
    waits = ", and what threads wait for." if pool.time.waits else "."
    return f"Stacks could not be read: {bounded(pool.missing, 400)}. {STILL_SHOWN}{waits}"


def dumps_text(pool: ExternalPoolReading) -> str:
    """Return how much the figures rest on."""
    return f"{number_of(pool.time.dumps, 'dump')} in {seconds(pool.window_s)}"


def advice_text(pool: ExternalPoolReading, program: str) -> str:
    """Return how to record what samples do not show, or that the program's library has no
    adapter."""
    if pool.library:
        return LIBRARY_ADVICE.format(library=bounded(pool.library, 40))
    return _probe_advice(program)


def _probe_advice(program: str) -> str:
    return NO_TASK_YET if program.rpartition("/")[2] in RUNS_PROBED else PROBE_ADVICE


def advice_lines(reading: Reading) -> list[str]:
    """Return that advice for all pools of a process, each sentence once."""
    program = reading.source.program
    lines = dict.fromkeys(advice_text(pool, program) for pool in reading.external)
    return list(lines) or [_probe_advice(program)]
