"""What each change mends: the cause, its part of the worker time, and its words. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ...model.findings import LEAST_SHARE
from ...model.vocabulary import FindingCode, PoolKind, WaitReason
from . import never_steals
from .time_shares import idle, own_waits, parked, part_of, waited

if TYPE_CHECKING:
    from collections.abc import Callable

    from ...model.reading import PoolReading
    from ...model.whatif import AnswerReading


@dataclass(frozen=True, slots=True)
class Cause:
    """What a change mends. share: of the worker time that the cause accounts for.

    sentence, advice: of a pool and the answer, both without the figures of the gain.
    """

    code: FindingCode
    share: Callable[[PoolReading], float]
    sentence: Callable[[PoolReading, AnswerReading], str]
    advice: Callable[[PoolReading, AnswerReading], str]


def percent(share: float) -> str:
    """Return a share as text."""
    return f"{100 * share:.0f} %"


def people(number: int) -> str:
    """Return a number of workers as text."""
    return "1 worker" if number == 1 else f"{number} workers"


def _workers(answer: AnswerReading) -> int:
    return int(dict(answer.change.facts)["workers"])


def where_of(pool: PoolReading, code: FindingCode) -> str:
    """Return the kind of task with most of what the cause is about, "" where it is about none."""
    by = {
        FindingCode.TOO_FEW_WORKERS: "blocked_s",
        FindingCode.LOCK_WAIT: "blocked_s",
        FindingCode.INTERPRETER_LOCK: "working_s",
        FindingCode.MORE_WORKERS_THAN_CORES: "run_queue_wait_s",
        FindingCode.CORES_BUSY_ELSEWHERE: "run_queue_wait_s",
    }.get(code)
    if code is FindingCode.LOCK_WAIT and pool.blocked and pool.blocked.kind(WaitReason.LOCK):
        return pool.blocked.kind(WaitReason.LOCK)
    kinds = pool.tasks.kinds
    if by is None or not kinds:
        return ""
    most = max(kinds, key=lambda kind: getattr(kind, by))
    whole = sum(getattr(kind, by) for kind in kinds)
    return most.kind if whole and getattr(most, by) >= 0.5 * whole else ""


def _setting(pool: PoolReading, number: int) -> str:
    """Return how a pool of this kind is given so many workers."""
    named = {
        PoolKind.THREAD_POOL: f" (max_workers={number})",
        PoolKind.PROCESS_POOL: f" (max_workers={number}, or processes={number})",
        PoolKind.LOKY_POOL: f" (n_jobs={number})",
    }
    return named.get(PoolKind(pool.kind), "") if pool.kind in set(PoolKind) else ""


def _too_few(pool: PoolReading, answer: AnswerReading) -> str:
    too_few = f"{people(len(pool.workers))} {'is' if len(pool.workers) == 1 else 'are'} too few"
    if own_waits(pool) < LEAST_SHARE:
        return f"{too_few}: tasks are queued while cores are free"
    return (
        f"{too_few}: tasks are blocked for {percent(own_waits(pool))} of the worker time, while "
        "others are queued and cores are free"
    )


def lock_wait(pool: PoolReading) -> str:
    """Return the sentence on waits for locks, with their share of the worker time."""
    return (
        "Tasks wait for a lock that another task holds, for "
        f"{percent(waited(WaitReason.LOCK)(pool))} of the worker time"
    )


def _slower(pool: PoolReading, answer: AnswerReading) -> str:
    facts = dict(answer.change.facts)
    ago_s = max(0.0, (pool.end_ns - float(facts["since_ns"])) / 1e9)
    before_s, after_s = float(facts["before_s"]), float(facts["after_s"])
    return (
        f"Tasks of {facts['as_before']} got slower {ago_s:.0f} s before the end: they take "
        f"{1e3 * after_s:.3g} ms in the median, and took {1e3 * before_s:.3g} ms before"
    )


def _hand_over_advice(pool: PoolReading, _answer: AnswerReading) -> str:
    return (
        "Send less: pass names of files or offsets instead of the data, keep large arguments in "
        "shared memory or load them once in each worker, return less"
    )


def larger_pieces(pool: PoolReading, calls: float) -> str:
    """Return how to put so many calls into one task of a pool."""
    how = "a loop over several items in each task, or a higher cut-off of the recursion"
    if pool.kind == PoolKind.PROCESS_POOL:
        how = f"with map: chunksize={calls:g}"
    return f"Put about {calls:g} calls into one task ({how})"


LOCK_ADVICE = (
    "Hold the lock for less of each task (do the waiting and the computing outside it), "
    "or use one lock for each part of what it protects"
)
CAUSES = {
    "more_workers": Cause(
        FindingCode.TOO_FEW_WORKERS,
        own_waits,
        _too_few,
        lambda pool, answer: (
            f"Give the pool {people(_workers(answer))}{_setting(pool, _workers(answer))}, if what "
            "the tasks wait for can serve so many at a time"
        ),
    ),
    "fewer_workers": Cause(
        FindingCode.MORE_WORKERS_THAN_CORES,
        part_of("run_queue_wait"),
        lambda pool, _: (
            f"{people(len(pool.workers))} are too many: they keep each other from the cores "
            f"and from the interpreter lock"
        ),
        lambda pool, answer: (
            f"Give the pool {people(_workers(answer))}{_setting(pool, _workers(answer))}"
        ),
    ),
    "interpreter_lock": Cause(
        FindingCode.INTERPRETER_LOCK,
        waited(WaitReason.INTERPRETER_LOCK),
        lambda pool, _: (
            "Only one thread at a time runs Python code: tasks wait for the interpreter lock for "
            f"{percent(waited(WaitReason.INTERPRETER_LOCK)(pool))} of the worker time"
        ),
        lambda *_: (
            "Run these tasks in processes, on a free-threaded build, or in code that releases the "
            "lock (arrays, compression, hashes)"
        ),
    ),
    "locks": Cause(
        FindingCode.LOCK_WAIT,
        waited(WaitReason.LOCK),
        lambda pool, _: lock_wait(pool),
        lambda *_: LOCK_ADVICE,
    ),
    "as_before": Cause(
        FindingCode.BLOCKED_IN_TASK,
        own_waits,
        _slower,
        lambda *_: (
            "Find what these tasks wait for since then (a service, a disk, a lock of its own), and "
            "mend that, or do the waiting after the task has ended"
        ),
    ),
    "hand_in_at_once": Cause(
        FindingCode.BARRIER_WAIT,
        idle,
        lambda pool, _: (
            "Each batch waits for the slowest task of the one before: workers are idle for "
            f"{percent(idle(pool))} of their time"
        ),
        lambda *_: (
            "Hand in the next batch before this one has ended, or hand in all tasks and take "
            "results as they come"
        ),
    ),
    "coarser": Cause(
        FindingCode.GRAIN_TOO_FINE,
        part_of("dispatch"),
        lambda pool, _: (
            "Tasks are too small: what the pool needs around each of them takes "
            f"{percent(part_of('dispatch')(pool) + parked(pool))} of the worker time"
        ),
        lambda pool, answer: larger_pieces(pool, float(dict(answer.change.facts)["grain"])),
    ),
    "finer": Cause(
        FindingCode.GRAIN_TOO_COARSE,
        idle,
        lambda pool, _: (
            "Tasks are too large: at the end some workers still run theirs while the others are "
            f"idle, {percent(idle(pool))} of the worker time"
        ),
        lambda _, answer: (
            f"Split the work into {1 / float(dict(answer.change.facts)['grain']):g} times as many "
            "pieces, or hand in the longest ones first"
        ),
    ),
    "hand_over": Cause(
        FindingCode.SLOW_HAND_OVER,
        part_of("dispatch"),
        lambda *_: (
            "To hand a task over takes too long: arguments and results are copied between processes"
        ),
        _hand_over_advice,
    ),
    "park_when_empty": Cause(
        FindingCode.STARVED_BESIDE_WORK,
        parked,
        lambda pool, _: (
            "Workers park while tasks are queued in other deques: "
            f"{percent(parked(pool))} of the worker time"
        ),
        lambda *_: "Let a worker park only when every deque and the inbox are empty",
    ),
    "wake_at_once": Cause(
        FindingCode.STARVED_BESIDE_WORK,
        parked,
        lambda pool, _: (
            f"Workers are woken late or not at all: {percent(parked(pool))} of the worker time "
            "they were parked beside queued tasks"
        ),
        lambda *_: "Wake a parked worker at every spawn and every hand-in",
    ),
    "never_steals": Cause(
        FindingCode.NEVER_STEALS,
        parked,
        lambda *_: never_steals.SENTENCE,
        lambda *_: never_steals.ADVICE,
    ),
    "even_victims": Cause(
        FindingCode.UNEVEN_VICTIMS,
        part_of("searching"),
        lambda *_: "Thieves choose their victims unevenly, and miss deques that have tasks",
        lambda *_: "Choose each victim at random from all other workers",
    ),
    "right_ends": Cause(
        FindingCode.WRONG_STEAL_END,
        part_of("searching"),
        lambda *_: "Owners or thieves use the wrong end of a deque, so steals bring little work",
        lambda *_: "Let owners take their newest task, and thieves the oldest",
    ),
    "one_pool": Cause(
        FindingCode.STRANDED_IN_OTHER_POOL,
        idle,
        lambda *_: "Workers of one pool are idle while tasks are queued in another one",
        lambda *_: (
            "Let both kinds of work share one pool, or give the other pool more of the workers"
        ),
    ),
    "only_workers": Cause(
        FindingCode.CORES_BUSY_ELSEWHERE,
        part_of("run_queue_wait"),
        lambda pool, _: (
            "Threads of the job that are no workers had the cores: tasks that were ready waited "
            f"for one for {percent(part_of('run_queue_wait')(pool))} of the worker time"
        ),
        lambda *_: (
            "Find what the job's other threads compute (the main thread, a loop that asks without "
            "a pause, a library's own threads), and let them wait, or do less, or use fewer workers"
        ),
    ),
    "undisturbed": Cause(
        FindingCode.CORES_BUSY_ELSEWHERE,
        part_of("run_queue_wait"),
        lambda pool, _: (
            "Other processes had the cores: tasks that were ready waited for one for "
            f"{percent(part_of('run_queue_wait')(pool))} of the worker time"
        ),
        lambda *_: "Find what else runs on this machine (top), or give the pool cores of its own",
    ),
    "hand_in": Cause(
        FindingCode.SLOW_SUBMITTER,
        part_of("no_work"),
        lambda pool, _: (
            "The pool waits for what feeds it: nothing was queued for "
            f"{percent(part_of('no_work')(pool))} of the worker time"
        ),
        lambda *_: (
            "Make each hand-in cheaper, hand in several tasks at once, or prepare the input in the "
            "tasks themselves"
        ),
    ),
    "in_flight": Cause(
        FindingCode.TOO_LITTLE_PARALLELISM,
        part_of("no_work"),
        lambda pool, _: (
            "Too few tasks are in flight: the next one is handed in only when one ends, and "
            f"workers are idle for {percent(idle(pool))} of their time"
        ),
        lambda _, answer: (
            f"Keep {dict(answer.change.facts)['in_flight']:g} times as many tasks in flight: at "
            "least one queued beside each running one"
        ),
    ),
}
"""What each change mends, by the key of its facts."""
