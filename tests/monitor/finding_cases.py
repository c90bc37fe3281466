"""Small hand-made cases of every finding: found, not found, and with too little data.

A case looks at one finding, or at one verdict that a finding rests on. Its `sees` is what must come
out. `guards` names the thresholds between which and the case there is less than the factor that
`test_finding_cases` moves each of them by.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import numpy as np
from readings import reading, steal_counts
from test_evenness import with_diagonal
from test_promises import parkings
from test_scheduler_findings import LARGER, UNEVEN, contended, ends, parked, pool_time
from test_shared_queue import shared_ledger
from whatifs import answer, batch, open_pool

from histories import History, ledger
from idlehands_monitor.analysis.deques.ends import end_verdict, judged_ends
from idlehands_monitor.analysis.parking import parking
from idlehands_monitor.analysis.queueing import speeds
from idlehands_monitor.analysis.stealing.evenness import victim_choice
from idlehands_monitor.analysis.time.blocked import blocked
from idlehands_monitor.analysis.verdicts import judging, promises, recorded_promises
from idlehands_monitor.analysis.verdicts.causes import caused
from idlehands_monitor.analysis.verdicts.external_findings import with_external_findings
from idlehands_monitor.analysis.verdicts.findings import findings
from idlehands_monitor.analysis.verdicts.health import health
from idlehands_monitor.analysis.verdicts.host_findings import host_findings
from idlehands_monitor.analysis.verdicts.lost_workers import lost_workers
from idlehands_monitor.analysis.verdicts.never_steals import with_never_steals
from idlehands_monitor.analysis.verdicts.promise_list import PARKS_WHEN_EMPTY
from idlehands_monitor.analysis.verdicts.running_out import backlog_runs_out, memory_runs_out
from idlehands_monitor.analysis.verdicts.scheduler_findings import (
    SchedulerUse,
    scheduler_costs,
    scheduler_findings,
)
from idlehands_monitor.analysis.verdicts.worker_findings import with_worker_findings
from idlehands_monitor.analysis.whatif import recording, slowing
from idlehands_monitor.analysis.whatif.sizing import Growth
from idlehands_monitor.analysis.whatif.summing import _refused
from idlehands_monitor.model import changes as change
from idlehands_monitor.model.blocked import BlockedReading, WaitReading
from idlehands_monitor.model.deques import EndReading
from idlehands_monitor.model.external import (
    ExternalPoolReading,
    ExternalTime,
    ExternalWorkerReading,
    PlaceReading,
    StackReading,
    WaitShareReading,
)
from idlehands_monitor.model.graph import CriticalReading, GraphReading, SerialReading
from idlehands_monitor.model.host import HostReading
from idlehands_monitor.model.shares import Estimate
from idlehands_monitor.model.tasks import HandOverReading, KindReading
from idlehands_monitor.model.vocabulary import (
    CoreTimeSource,
    ExternalState,
    FindingCode,
    PoolKind,
    WaitReason,
    WorkerState,
)
from idlehands_monitor.model.whatif import Arrivals, CurvePoint, CurveReading
from idlehands_monitor.model.worker_time import InTask, WorkerTime
from idlehands_monitor.model.workers import DeadWorkerReading, LifetimesReading, SpeedReading

SECOND, MIB = 1_000_000_000, 2.0**20
FOUND, NOT_FOUND, TOO_LITTLE = "found", "not found", "too little data"
WORKING, PARKED = WorkerState.WORKING, WorkerState.PARKED


class Case(NamedTuple):
    """What is looked at, which sort of case it is, how to look, what must come out."""

    of: str
    sort: str
    words: str
    look: Callable[[], object]
    sees: object
    guards: tuple[str, ...] = ()


def case(code: str, sort: str, words: str, codes: Callable[[], list[str]], *guards: str) -> Case:
    """Return a case of a finding: whether its code is among the codes."""
    return Case(code, sort, words, lambda: code in codes(), sort == FOUND, guards)


def seconds_of(**seconds: float) -> WorkerTime:
    """Return worker time in seconds of each category."""
    return WorkerTime(**{name: round(value * SECOND) for name, value in seconds.items()})


@cache
def base(workers: int = 4):
    """Return a pool that steals, with no finding."""
    return replace(reading(workers=workers).pools[0], findings=())


def codes_of(found) -> list[str]:
    """Return the codes of findings."""
    return [one.code for one in found]


# -- by the category of worker time, without a simulation ------------------------------------------


def by_category(window_s=10.0, stranded_s=0.0, held=None, **seconds):
    """Return the codes of 20 worker-seconds in which each category has so many."""
    whole = 2 * window_s
    time = seconds_of(working=whole - sum(seconds.values()), **seconds)
    return codes_of(
        findings(time, 2, window_s, None, (), held, stranded_s * SECOND, one_queue=True)
    )


def at_the_interpreter_lock(seconds):
    return BlockedReading(
        0.0, 0.0, (WaitReading("interpreter lock", seconds, 0.0, seconds),), 99, 0.0, one_core=True
    )


CATEGORIES_OF = {
    "starved-beside-work": "starved",
    "too-little-parallelism": "no_work",
    "long-searches": "searching",
    "blocked-in-task": "blocked",
}
BY_ONE_CATEGORY = tuple(
    one
    for code, name in CATEGORIES_OF.items()
    for one in (
        case(code, FOUND, "6 %", lambda n=name: by_category(**{n: 1.2}), "LEAST_SHARE"),
        case(code, NOT_FOUND, "4 %", lambda n=name: by_category(**{n: 0.8}), "LEAST_SHARE"),
        case(
            code,
            TOO_LITTLE,
            "0.8 s",
            lambda n=name: by_category(0.8, **{n: 0.8}),
            "LEAST_WINDOW_S",
        ),
        case(code, FOUND, "1.3 s", lambda n=name: by_category(1.3, **{n: 1.0}), "LEAST_WINDOW_S"),
    )
)
BY_CATEGORY = (
    *BY_ONE_CATEGORY,
    case("stranded-in-other-pool", FOUND, "6 %", lambda: by_category(stranded_s=1.2, no_work=1.2)),
    case(
        "stranded-in-other-pool", NOT_FOUND, "4 %", lambda: by_category(stranded_s=0.8, no_work=2)
    ),
    case(
        "stranded-in-other-pool",
        TOO_LITTLE,
        "0.8 s",
        lambda: by_category(0.8, stranded_s=0.8, no_work=0.8),
    ),
    case(
        "interpreter-lock",
        FOUND,
        "40 %",
        lambda: by_category(held=at_the_interpreter_lock(8.0), blocked=8.0),
    ),
    case(
        "interpreter-lock",
        NOT_FOUND,
        "4 %",
        lambda: by_category(held=at_the_interpreter_lock(0.8), blocked=8.0),
    ),
    case(
        "interpreter-lock",
        TOO_LITTLE,
        "0.8 s",
        lambda: by_category(0.8, held=at_the_interpreter_lock(0.8), blocked=0.8),
    ),
)

# -- by a simulated change -------------------------------------------------------------------------

CHANGES = {
    "too-few-workers": change.Workers(8),
    "lock-wait": change.SplitLock(),
    "barrier-wait": change.HandInAtOnce(),
    "grain-too-fine": change.Grain(8),
    "grain-too-coarse": change.Grain(0.5),
    "slow-hand-over": change.HandOver(0.5),
    "cores-busy-elsewhere": change.Undisturbed(),
    "slow-submitter": change.HandInFaster(0.5),
}


def changed(*answers, held=None, **told):
    """Return the codes of a pool to which these answers were given."""
    return codes_of(caused(held or base(), batch(answers=answers, curve=None, **told)).findings)


BY_CHANGE = tuple(
    one
    for code, made in CHANGES.items()
    for one in (
        case(
            code,
            FOUND,
            "gains 6 %",
            lambda m=made: changed(answer((m,), 10.5, 0.06, spread=0.01)),
            "LEAST_GAIN",
        ),
        case(
            code,
            NOT_FOUND,
            "gains 4 %",
            lambda m=made: changed(answer((m,), 10.7, 0.04, spread=0.01)),
            "LEAST_GAIN",
        ),
        case(
            code,
            TOO_LITTLE,
            "may gain nothing",
            lambda m=made: changed(answer((m,), 10.5, 0.06, spread=0.07)),
        ),
    )
)


def nearly_sure(spread):
    """Return the codes where 6 % are gained, or so much less or more."""
    return changed(answer((change.SplitLock(),), 10.5, 0.06, spread=spread))


def idle_for_a_fifth(gain):
    """Return the codes where workers are idle for 20 % and to leave out barriers gains so much."""
    held = replace(base(), time=seconds_of(working=32, no_work=8))
    return changed(answer((change.HandInAtOnce(),), 11.2 * (1 - gain), gain), held=held)


def beside_a_busy_thread(waiting, blocked=0.0):
    """Return the codes where 8 workers gain 46 %, and tasks wait for a core for so long of 40 s."""
    working = 40 - waiting - blocked
    time = seconds_of(working=working, run_queue_wait=waiting, blocked=blocked)
    held = replace(base(), time=time, blocked=None)
    return changed(answer((change.Workers(8),), 6.0, 0.46), held=held)


def alone(longest_s=1.5, kind="mill", tasks=1):
    """Return a pool in whose run of 11.2 s one task runs alone for a while."""
    serial = SerialReading(4.0, 0.8, longest_s, 0.0, kind)
    critical = CriticalReading(9, 9, (), (), (1.0, 4.0), serial)
    graph = GraphReading(9, 4, 10.0, 5.0, 2.0, 2.5, 6.0, 6.2, 0.0, critical=critical)
    kinds = (KindReading(kind, tasks, 9.0, 9.0 / tasks, 0),)
    return replace(base(), graph=graph, tasks=replace(base().tasks, kinds=kinds))


def backlog(growth=1.75, **told):
    held = open_pool(**told)
    return codes_of(
        caused(base(), replace(held, sizing=replace(held.sizing, growth_per_s=growth))).findings
    )


OF_RUNS = (
    case("too-few-workers", FOUND, "a core is free", lambda: beside_a_busy_thread(1.6),
         "LEAST_SHARE"),
    case("too-few-workers", NOT_FOUND, "no core is free", lambda: beside_a_busy_thread(2.4),
         "LEAST_SHARE"),
    case("too-few-workers", FOUND, "mostly blocked", lambda: beside_a_busy_thread(4.0, 20.0)),
    case("serial-stretch", FOUND, "0.8 s of 11.2 s", lambda: changed(held=alone(0.8)),
         "LEAST_GAIN"),
    case("serial-stretch", NOT_FOUND, "0.4 s of 11.2 s", lambda: changed(held=alone(0.4)),
         "LEAST_GAIN"),
    case("serial-stretch", TOO_LITTLE, "no task graph", changed),
    case(
        "serial-stretch",
        FOUND,
        "the only 3 tasks of a kind",
        lambda: changed(answer((change.Grain(0.5),), 8.0, 0.28), held=alone(tasks=3)),
        "MOST_SINGLE",
    ),
    case(
        "grain-too-coarse",
        FOUND,
        "4 tasks of a kind",
        lambda: changed(answer((change.Grain(0.5),), 8.0, 0.28), held=alone(tasks=4)),
        "MOST_SINGLE",
    ),
    case("lock-wait", FOUND, "surely gains 3 %", lambda: nearly_sure(0.03), "SURE_GAIN"),
    case("lock-wait", TOO_LITTLE, "surely gains 2 %", lambda: nearly_sure(0.04), "SURE_GAIN"),
    case("barrier-wait", FOUND, "idle for 2/3 of the gain", lambda: idle_for_a_fifth(0.3),
         "IN_PROPORTION"),
    case("barrier-wait", NOT_FOUND, "idle for 2/5 of the gain", lambda: idle_for_a_fifth(0.5),
         "IN_PROPORTION"),
    case("growing-backlog", FOUND, "1.75 tasks/s", backlog),
    case("growing-backlog", NOT_FOUND, "no growth", lambda: backlog(0.0)),
    case("growing-backlog", TOO_LITTLE, "no sizing", changed),
    Case("growing-backlog", FOUND, "3 errors", lambda: Growth(3, 1).significant, True,
         ("SIGNIFICANT",)),
    Case("growing-backlog", NOT_FOUND, "2 errors", lambda: Growth(2, 1).significant, False,
         ("SIGNIFICANT",)),
    Case("a simulation", FOUND, "12 % off", lambda: bool(_refused(0.12, 10, 11.2)), True,
         ("MOST_ERROR",)),
    Case("a simulation", NOT_FOUND, "8 % off", lambda: bool(_refused(0.08, 10, 10.8)), False,
         ("MOST_ERROR",)),
)  # fmt: skip


def limit(working_s=0.0, recorded=10.0, span=0.0):
    """Return what a healthy pool is limited by."""
    held = replace(
        base(), window_s=10.0, time=seconds_of(working=working_s, no_work=40 - working_s)
    )
    points = tuple(CurvePoint(n, 9.0, 9.0, 9.0) for n in (2, 4))
    bent = CurveReading(points, present=4, best=4, work_s=40.0, span_s=span)
    said = health(held, batch(answers=(), curve=bent, recorded=recorded), None)
    return next((word for word in ("chain", "cores") if word in said), "")


HEALTHY = (
    Case("health", FOUND, "0.95 cores", lambda: limit(9.5), "cores", ("BUSY",)),
    Case("health", NOT_FOUND, "0.75 cores", lambda: limit(7.5), "", ("BUSY",)),
    Case("health", FOUND, "1.2 chains", lambda: limit(0, 12, 10), "chain", ("NEAR",)),
    Case("health", NOT_FOUND, "1.4 chains", lambda: limit(0, 14, 10), "", ("NEAR",)),
)

# -- tasks that fail, hang, wait for each other ----------------------------------------------------


def worked(*, kinds=(), failed=0, finished=100, queued=0, states=(), closed=False, **told):
    """Return the codes of a pool of as many workers as states: (state, kind, for how long)."""
    held = base(max(2, len(states)))
    workers = tuple(
        replace(worker, state=state, doing=doing, for_s=for_s)
        for worker, (state, doing, for_s) in zip(held.workers, states, strict=False)
    )
    tasks = replace(held.tasks, failed=failed, finished=finished, queued=queued, kinds=kinds)
    held = replace(held, workers=workers or held.workers, tasks=tasks, closed=closed, **told)
    return codes_of(with_worker_findings(held).findings)


def kind(name="brew", finished=100, median_s=0.02, failed=0):
    return KindReading(name, finished, finished * median_s, median_s, 0, failed=failed)


def hanging(for_s=12.0, **of_kind):
    states = ((WORKING, "brew", for_s), (PARKED, "", 1.0))
    return worked(kinds=(kind(**of_kind),), states=states)


def waits_of(sort, seconds, join_s=0.0):
    waits = (WaitReading(sort, seconds, 0.0, seconds),) if seconds else ()
    return BlockedReading(join_s, 0.0, waits, 100, 0.0, one_core=False)


def standing(for_s=5.0, queued=3, blocked_s=19.0):
    """Return two workers that wait in tasks, blocked for so much of 20 worker-seconds."""
    return worked(
        states=((WORKING, "outer", for_s), (WORKING, "outer", for_s + 1)),
        queued=queued,
        time=seconds_of(blocked=blocked_s, no_work=20 - blocked_s),
        blocked=waits_of("lock", blocked_s),
        finished=0,
    )


def nested(by_workers=50, seconds=8.0, finished=100):
    """Return workers over 20 worker-seconds, that wait for a lock for so many of them."""
    return worked(
        finished=finished,
        kinds=(kind("outer"),),
        time=seconds_of(working=20),
        blocked=waits_of("lock", seconds),
        hand_overs=HandOverReading(((100 - by_workers, 0), (by_workers, 0))),
    )


def alike(workers_s=9.0, waits_s=(0.0, 0.0), **told):
    """Return a pool of two workers, of which worker 0 takes 1.4 times as long."""
    speed = SpeedReading(0, "brew", 100, 100, 1.4, 0.8, 0.03)
    held = base(2)
    times = [
        seconds_of(working=workers_s - waits, run_queue_wait=waits, no_work=10 - workers_s)
        for waits in waits_s
    ]
    workers = tuple(replace(one, time=time) for one, time in zip(held.workers, times, strict=True))
    return replace(held, workers=workers, time=times[0] + times[1], slowest=replace(speed, **told))


def slow(**told):
    return codes_of(with_worker_findings(alike(**told)).findings)


def why_slow(extra_s):
    """Return whether a slow worker is said to wait for a core for so much longer than the other."""
    held = alike(waits_s=(0.9 + extra_s, 0.9))
    return "waits for a core" in with_worker_findings(held).findings[0].sentence


def compared(tasks):
    """Return whether two workers that ran so many tasks each are compared."""
    rows = [
        (worker, 10 * n, 10 * n + 1, 10 * n + 3 + worker)
        for n in range(tasks)
        for worker in range(2)
    ]
    held = shared_ledger(rows, [(0, 0, 9999), (1, 0, 9999)], 9999, workers=2)
    return speeds.slowest(held.pools[0], 0, 9999) is not None


OF_WORKERS = (
    case("failing-tasks", FOUND, "5 of 20", lambda: worked(failed=5, finished=20), "LEAST_FAILED"),
    case("failing-tasks", TOO_LITTLE, "4 of 4", lambda: worked(failed=4, finished=4),
         "LEAST_FAILED"),
    case("failing-tasks", FOUND, "12 %", lambda: worked(failed=12), "LEAST_FAILED_SHARE"),
    case("failing-tasks", NOT_FOUND, "8 %", lambda: worked(failed=8), "LEAST_FAILED_SHARE"),
    case("stuck-worker", FOUND, "3.5 s", lambda: hanging(3.5), "LEAST_HANGING_S"),
    case("stuck-worker", NOT_FOUND, "2.5 s", lambda: hanging(2.5), "LEAST_HANGING_S"),
    case("stuck-worker", FOUND, "60 medians", lambda: hanging(6.0, median_s=0.1), "TIMES_MEDIAN"),
    case("stuck-worker", NOT_FOUND, "42 medians", lambda: hanging(4.2, median_s=0.1),
         "TIMES_MEDIAN"),
    case("stuck-worker", FOUND, "20 tasks", lambda: hanging(finished=20), "LEAST_OF_KIND"),
    case("stuck-worker", TOO_LITTLE, "19 tasks", lambda: hanging(finished=19), "LEAST_OF_KIND"),
    case("nested-wait", FOUND, "a deadlock", standing),
    case("nested-wait", FOUND, "blocked all along", lambda: standing(blocked_s=10), "FOR_A_LOCK"),
    case("nested-wait", NOT_FOUND, "blocked for 60 %", lambda: standing(blocked_s=6),
         "FOR_A_LOCK"),
    case("nested-wait", TOO_LITTLE, "2.5 s", lambda: standing(2.5), "LEAST_HANGING_S"),
    case("nested-wait", FOUND, "30 % waiting", lambda: nested(seconds=6), "LEAST_NESTED"),
    case("nested-wait", NOT_FOUND, "20 % waiting", lambda: nested(seconds=4), "LEAST_NESTED"),
    case("nested-wait", FOUND, "25 % handed in", lambda: nested(25), "OWN_TASKS"),
    case("nested-wait", NOT_FOUND, "15 % handed in", lambda: nested(15), "OWN_TASKS"),
    case("nested-wait", TOO_LITTLE, "19 tasks", lambda: nested(finished=19)),
    case("slow-worker", FOUND, "1.4 times", slow, "SLOWER"),
    case("slow-worker", NOT_FOUND, "1.15 times", lambda: slow(slowdown=1.15), "SLOWER"),
    case("slow-worker", FOUND, "in 80 % of pairs", slow, "LARGE_EFFECT"),
    case("slow-worker", NOT_FOUND, "in 65 % of pairs", lambda: slow(superiority=0.65, error=0.01),
         "LARGE_EFFECT"),
    case("slow-worker", FOUND, "6 errors", lambda: slow(error=0.05), "SURE_SLOWER"),
    case("slow-worker", TOO_LITTLE, "4 errors", lambda: slow(error=0.075), "SURE_SLOWER"),
    case("slow-worker", NOT_FOUND, "a worker that hardly works", lambda: slow(workers_s=1.0)),
    Case("slow-worker", FOUND, "waits 12 % more", lambda: why_slow(1.08), True, ("MORE_WAIT",)),
    Case("slow-worker", NOT_FOUND, "waits 8 % more", lambda: why_slow(0.72), False, ("MORE_WAIT",)),
    Case("slow-worker", FOUND, "20 tasks each", lambda: compared(20), True, ("LEAST_COMPARED",)),
    Case("slow-worker", TOO_LITTLE, "19 tasks each", lambda: compared(19), False,
         ("LEAST_COMPARED",)),
)  # fmt: skip

# -- tasks that got slower, and tiny ones ----------------------------------------------------------


def slower(before, after, times=3.0, blocked=0.9, mixed=0):
    """Return whether a kind got slower: of so many tasks before and after, `mixed` like others."""
    lengths = [20 + n % 5 for n in range(before)]
    lengths += [round(times * (20 + n % 5)) for n in range(after)]
    for n in range(mixed):
        lengths[n], lengths[-1 - n] = lengths[-1 - n], lengths[n]
    ends = np.cumsum(lengths).tolist()
    tasks = [(0, e - n, e - n, e) for n, e in zip(lengths, ends, strict=True)]
    ledger = shared_ledger(tasks, [(0, 0, ends[-1] + 1)], ends[-1] + 1)
    load = KindReading("load", len(tasks), 1.0, 0.02, 0, 1 - blocked, blocked)
    held = replace(
        base(1), begin_ns=-1, end_ns=ends[-1], tasks=replace(base(1).tasks, kinds=(load,))
    )
    return slowing.slowed(ledger.pools[0], held) is not None


def tiny(finished=10_000, mean_ms=0.1, others=0):
    """Return the codes of a pool that half of the time is around its tasks, not simulated."""
    total_s = mean_ms * finished / 1e3
    kinds = (KindReading("load", finished, total_s, mean_ms / 1e3, 0),)
    tasks = replace(base().tasks, finished=finished + others, kinds=kinds)
    held = replace(base(), findings=(), tasks=tasks, time=seconds_of(dispatch=20, no_work=20))
    return codes_of(caused(held, batch(answers=(), curve=None, refused="not whole")).findings)


def locked(seconds, blocked_s=10.0):
    """Return the codes of a pool, not simulated, blocked for so long, for a lock for `seconds`."""
    time = seconds_of(blocked=blocked_s, working=20 - blocked_s)
    waits = waits_of("lock", seconds)
    held = replace(
        base(), time=time, blocked=waits, findings=findings(time, 2, 10.0, blocked=waits)
    )
    return codes_of(caused(held, batch(answers=(), curve=None, refused="not whole")).findings)


def grain_or_data(larger_pieces):
    """Return the codes where faster hand-overs gain 20 %, and larger pieces so much."""
    return changed(
        answer((change.Grain(2),), 10.0, larger_pieces), answer((change.HandOver(0.5),), 9.0, 0.2)
    )


def fed(busy_beside):
    """Return whether an open stream is taken for what a busy thread hands in."""
    return recording.comes_slowly(Arrivals.OPEN, busy_beside)


SLOWER = (
    Case("slow-submitter", FOUND, "a thread that computes", lambda: fed(0.9), True, ("BUSY",)),
    Case("slow-submitter", NOT_FOUND, "one that waits", lambda: fed(0.7), False, ("BUSY",)),
    Case("blocked-in-task", FOUND, "2 times", lambda: slower(40, 40, 2.0), True, ("SLOWER",)),
    Case("blocked-in-task", NOT_FOUND, "1.2 times", lambda: slower(40, 40, 1.2), False,
         ("SLOWER",)),
    Case("blocked-in-task", FOUND, "25 and 25", lambda: slower(25, 25), True, ("LEAST_EACH",)),
    Case("blocked-in-task", TOO_LITTLE, "15 and 40", lambda: slower(15, 40), False,
         ("LEAST_EACH",)),
    Case("blocked-in-task", FOUND, "9 in 10 million", lambda: slower(20, 20), True, ("CHANCE",)),
    Case("blocked-in-task", NOT_FOUND, "by chance", lambda: slower(20, 20, mixed=4), False,
         ("CHANCE",)),
    Case("blocked-in-task", FOUND, "60 % blocked", lambda: slower(40, 40, blocked=0.6), True,
         ("BLOCKED",)),
    Case("blocked-in-task", NOT_FOUND, "40 % blocked", lambda: slower(40, 40, blocked=0.4), False,
         ("BLOCKED",)),
    case("grain-too-fine", FOUND, "1200 tasks", lambda: tiny(1200), "LEAST_TINY"),
    case("grain-too-fine", TOO_LITTLE, "800 tasks", lambda: tiny(800), "LEAST_TINY"),
    case("grain-too-fine", FOUND, "0.8 ms", lambda: tiny(mean_ms=0.8), "TINY_S"),
    case("grain-too-fine", NOT_FOUND, "1.2 ms", lambda: tiny(mean_ms=1.2), "TINY_S"),
    case("grain-too-fine", FOUND, "90 % of all", lambda: tiny(others=1111), "MOST_OF_ALL"),
    case("grain-too-fine", NOT_FOUND, "60 % of all", lambda: tiny(others=6667), "MOST_OF_ALL"),
    case("lock-wait", FOUND, "6 of 10 s are for a lock", lambda: locked(6.0), "MOSTLY"),
    case("lock-wait", NOT_FOUND, "4 of 10 s are for a lock", lambda: locked(4.0), "MOSTLY"),
    case("blocked-in-task", FOUND, "4 of 10 s are for a lock", lambda: locked(4.0), "MOSTLY"),
    case("blocked-in-task", NOT_FOUND, "6 of 10 s are for a lock", lambda: locked(6.0), "MOSTLY"),
    case("grain-too-fine", FOUND, "nearly as good", lambda: grain_or_data(0.18), "FIXED"),
    case("grain-too-fine", NOT_FOUND, "mostly data", lambda: grain_or_data(0.13), "FIXED"),
)  # fmt: skip

# -- workers that died, and pools without any ------------------------------------------------------


def lost(died=0, none_for_s=0.0, queued=0, broken=""):
    dead = tuple(DeadWorkerReading(n, 7 + n, "brew", 1.0, n) for n in range(died))
    lifetimes = LifetimesReading(0, 2, 2 - died, died, dead, none_for_s)
    tasks = replace(base().tasks, queued=queued)
    return codes_of(lost_workers(seconds_of(working=20), lifetimes, broken, tasks))


def deaths(*, apart_s=9.0, thread=False, errors=()):
    """Return the sentence on two deaths so far apart, with so many exceptions of their kind."""
    dead = tuple(
        DeadWorkerReading(
            n, 7 + n, "brew", 1.0, round(n * apart_s * SECOND), thread, errors=tuple(errors)
        )
        for n in range(2)
    )
    lifetimes = LifetimesReading(1, 3, 0, 2, dead)
    return lost_workers(seconds_of(working=20), lifetimes, "", None)[0].sentence


def errors_named(number):
    errors = [f"Error{n}" for n in range(number)]
    return "Error0" in deaths(thread=True, errors=errors)


LOST = (
    case("lost-worker", FOUND, "a death", lambda: lost(1)),
    case("lost-worker", FOUND, "a broken pool", lambda: lost(broken="it broke")),
    case("lost-worker", NOT_FOUND, "workers that left", lost),
    case("lost-worker", FOUND, "no worker for 3.5 s", lambda: lost(none_for_s=3.5, queued=2),
         "LEAST_GONE_S"),
    case("lost-worker", TOO_LITTLE, "no worker for 2.5 s", lambda: lost(none_for_s=2.5, queued=2),
         "LEAST_GONE_S"),
    case("lost-worker", NOT_FOUND, "no worker, and no task", lambda: lost(none_for_s=9)),
    Case("lost-worker", FOUND, "0.8 s apart", lambda: "at once" in deaths(apart_s=0.8), True,
         ("AT_ONCE_NS",)),
    Case("lost-worker", NOT_FOUND, "1.2 s apart", lambda: "at once" in deaths(apart_s=1.2), False,
         ("AT_ONCE_NS",)),
    Case("lost-worker", FOUND, "2 exceptions", lambda: errors_named(2), True, ("MOST_ERRORS",)),
    Case("lost-worker", NOT_FOUND, "3 exceptions", lambda: errors_named(3), False,
         ("MOST_ERRORS",)),
)  # fmt: skip

# -- the host --------------------------------------------------------------------------------------


def a_host(**told):
    known = {"growth_bytes_per_minute": None, "growth_over_s": 0.0, "growth_is_steady": False,
             "resident_bytes": 100 * MIB, "usable_cores": 2.0, "quota_cores": None,
             "throttled_share": None, "throttled_periods_share": None}  # fmt: skip
    nothing = dict.fromkeys(
        ("minor_faults_per_s", "major_faults_per_s", "voluntary_switches_per_s",
         "nonvoluntary_switches_per_s", "io_wait_s")
    )  # fmt: skip
    return HostReading(**{"pid": 7, "covered_s": 10.0, "affinity": 2, **known, **nothing, **told})


def grown(over_s, mib_per_minute, mib=50.0, *, steady=True):
    one = a_host(
        growth_bytes_per_minute=mib_per_minute * MIB,
        growth_over_s=over_s,
        growth_is_steady=steady,
        resident_bytes=mib * MIB,
    )
    return codes_of(host_findings(pool_time(), None, (one,)))


def waited(run_queue_wait, window_s=10.0, workers=4, **told):
    time = pool_time(workers, window_s, run_queue_wait=run_queue_wait)
    time = replace(time, core_time=CoreTimeSource.KERNEL)
    return codes_of(host_findings(time, None, (a_host(**told),)))


OF_THE_HOST = (
    case("memory-growth", FOUND, "over 70 s", lambda: grown(70, 2), "LEAST_GROWTH_S"),
    case("memory-growth", TOO_LITTLE, "over 50 s", lambda: grown(50, 2), "LEAST_GROWTH_S"),
    case("memory-growth", NOT_FOUND, "not steadily", lambda: grown(70, 2, steady=False)),
    case("memory-growth", FOUND, "1.2 MiB a minute", lambda: grown(70, 1.2),
         "LEAST_GROWTH_BYTES_PER_MINUTE"),
    case("memory-growth", NOT_FOUND, "0.8 MiB a minute", lambda: grown(70, 0.8),
         "LEAST_GROWTH_BYTES_PER_MINUTE"),
    case("memory-growth", FOUND, "1.2 % a minute", lambda: grown(70, 12, 1000),
         "LEAST_GROWTH_SHARE_PER_MINUTE"),
    case("memory-growth", NOT_FOUND, "0.8 % a minute", lambda: grown(70, 8, 1000),
         "LEAST_GROWTH_SHARE_PER_MINUTE"),
    case("memory-growth", FOUND, "steeply over 6 s", lambda: grown(6, 900), "LEAST_STEEP_S"),
    case("memory-growth", TOO_LITTLE, "steeply over 4 s", lambda: grown(4, 900), "LEAST_STEEP_S"),
    case("memory-growth", FOUND, "600 MiB a minute", lambda: grown(9, 600),
         "STEEP_BYTES_PER_MINUTE"),
    case("memory-growth", NOT_FOUND, "400 MiB a minute", lambda: grown(9, 400),
         "STEEP_BYTES_PER_MINUTE"),
    case("memory-growth", FOUND, "120 % a minute", lambda: grown(9, 1200, 1000),
         "STEEP_SHARE_PER_MINUTE"),
    case("memory-growth", NOT_FOUND, "80 % a minute", lambda: grown(9, 800, 1000),
         "STEEP_SHARE_PER_MINUTE"),
    case("cpu-quota", FOUND, "held back for 25 %", lambda: waited(12, throttled_share=0.25)),
    case("cpu-quota", NOT_FOUND, "held back for 10 %", lambda: waited(12, throttled_share=0.1)),
    case("cpu-quota", TOO_LITTLE, "0.8 s", lambda: waited(1, 0.8, throttled_share=1.0)),
    case("more-workers-than-cores", FOUND, "6 %", lambda: waited(2.4)),
    case("more-workers-than-cores", NOT_FOUND, "2 workers", lambda: waited(2.4, workers=2)),
    case("more-workers-than-cores", TOO_LITTLE, "0.8 s", lambda: waited(1, 0.8)),
    Case("memory-growth", FOUND, "22 hours left", lambda: bool(memory_runs_out(80_000)), True,
         ("FORESEEABLE_S",)),
    Case("memory-growth", NOT_FOUND, "28 hours left", lambda: bool(memory_runs_out(100_000)), False,
         ("FORESEEABLE_S",)),
)  # fmt: skip


def will_wait(queued):
    """Return whether it is still to come that a task waits too long, at 10 tasks a second."""
    tasks = replace(base().tasks, queued=queued, per_s=10.0)
    return "will wait" in backlog_runs_out(replace(base(), tasks=tasks), 1.0)


OF_BACKLOGS = (
    Case("growing-backlog", FOUND, "50 s", lambda: will_wait(500), True, ("PATIENCE_S",)),
    Case("growing-backlog", NOT_FOUND, "70 s", lambda: will_wait(700), False, ("PATIENCE_S",)),
)

# -- the scheduler ---------------------------------------------------------------------------------

NO_STEALS = steal_counts(*(((0, 0), (0, 0)),) * 3)


def scheduled(use, steals=NO_STEALS, seconds=10.0, **by_category):
    time = pool_time(seconds=seconds, **by_category)
    costs = scheduler_costs(time, steals, use)
    return scheduler_findings(time, steals, use, costs)


WRONG = SchedulerUse(ends(stolen_at_end=0), LARGER)
MEETING = SchedulerUse(contention=contended(3.0, 2.0))
CHURNING = SchedulerUse(parking=parked(wasted=300))


def uneven_counts(hits):
    """Return one thief's attempts: 180 at a victim, 20 at another that had so many of 100 hits."""
    none = (0, 0, 0)
    return steal_counts(
        ((0, 100 - hits, hits), none, none), ((0, 80 + hits, 20 - hits), none, none), (none,) * 3
    )


def gains(hits):
    (found,) = scheduled(SchedulerUse(choice=UNEVEN), uneven_counts(hits), searching=1.0)
    return found.gain_s is not None


def chosen(verdict, seconds=10.0):
    use = SchedulerUse(choice=replace(UNEVEN, verdict=verdict))
    return codes_of(scheduled(use, uneven_counts(16), seconds, searching=0.5))


def starving(attempts, starved_s=15.0, kind=PoolKind.STEALING):
    """Return a pool whose workers starve, with so many steal attempts."""
    none = ((0, 0), (0, 0))
    held = base(2)
    time = seconds_of(working=20 - starved_s, starved=starved_s)
    found = findings(time, 2, 10.0, None, (), None)
    steals = steal_counts(none, ((0, attempts), (0, 0)), none)
    held = replace(held, kind=kind, time=time, steals=steals, findings=found)
    return codes_of(with_never_steals(held).findings)


OF_SCHEDULERS = (
    case("wrong-steal-end", FOUND, "1.2 millionths",
         lambda: codes_of(scheduled(WRONG, searching=3.2e-5)), "LEAST_BROKEN_SHARE"),
    case("wrong-steal-end", NOT_FOUND, "0.8 millionths",
         lambda: codes_of(scheduled(WRONG, searching=2.13e-5)), "LEAST_BROKEN_SHARE"),
    case("wrong-steal-end", TOO_LITTLE, "0.4 s",
         lambda: codes_of(scheduled(WRONG, seconds=0.4, searching=0.2))),
    case("uneven-victims", FOUND, "a broken promise", lambda: chosen("broken")),
    case("uneven-victims", NOT_FOUND, "a kept promise", lambda: chosen("kept")),
    case("uneven-victims", TOO_LITTLE, "0.4 s", lambda: chosen("broken", 0.4)),
    Case("uneven-victims", FOUND, "2.7 deviations more", lambda: gains(16), True, ("SURE",)),
    Case("uneven-victims", NOT_FOUND, "1.8 deviations more", lambda: gains(14), False, ("SURE",)),
    case("deque-contention", FOUND, "2 s", lambda: codes_of(scheduled(MEETING, searching=2.0))),
    case("deque-contention", NOT_FOUND, "no wait",
         lambda: codes_of(scheduled(SchedulerUse(contention=contended(0.0, 0.0)), searching=2.0))),
    case("deque-contention", TOO_LITTLE, "0.4 s",
         lambda: codes_of(scheduled(MEETING, seconds=0.4, searching=0.2))),
    case("park-churn", FOUND, "6 %", lambda: codes_of(scheduled(CHURNING, waking=1.2)),
         "LEAST_SHARE"),
    case("park-churn", NOT_FOUND, "4 %", lambda: codes_of(scheduled(CHURNING, waking=0.8)),
         "LEAST_SHARE"),
    case("park-churn", TOO_LITTLE, "too few wakes",
         lambda: codes_of(scheduled(SchedulerUse(), waking=1.2))),
    case("never-steals", FOUND, "0.8 attempts a second", lambda: starving(12),
         "MOST_ATTEMPTS_PER_S"),
    case("never-steals", NOT_FOUND, "1.2 attempts a second", lambda: starving(18),
         "MOST_ATTEMPTS_PER_S"),
    case("never-steals", NOT_FOUND, "one queue", lambda: starving(0, kind=PoolKind.THREAD_POOL)),
    case("never-steals", TOO_LITTLE, "4 % starved", lambda: starving(0, 0.8)),
)  # fmt: skip

# -- verdicts that findings rest on ----------------------------------------------------------------


def verdict(cases, broken):
    return judging.judged(PARKS_WHEN_EMPTY, cases, broken, np.zeros(0, dtype=np.int64)).verdict


@cache
def parked_beside_work(lead_us):
    history = parkings(100, beside=100, lead_ns=lead_us * 1000)
    return ledger(history).pools[0], history.end


def raced(lead_us):
    pool, end = parked_beside_work(lead_us)
    return recorded_promises.parks_when_empty(pool, 0, end).verdict


def against_the_bound(ratio):
    graph = GraphReading(9, 4, 10.0, 5.0, 2.0, 2.5, 6.0 * ratio, 6.0, 0.0)
    return promises.greedy_bound(graph).verdict


def end(at_end, of=100):
    return EndReading(of, 0, of, at_end, 0.0, 2.0, ())


def placed(unplaced):
    """Return the verdict where so many takes of a hundred more could not be placed."""
    return judged_ends(0, end(50, 50), end(50, 50), unplaced).owners_newest


@cache
def wakes(number):
    history = History(2, (number + 1) * 1000)
    history.idle_intervals = [
        (1, 1000 * n + 100, 1000 * n + 600, True, 1000 * n + 590) for n in range(number)
    ]
    return ledger(history).pools[0], history.end


def has_parking(number):
    pool, finish = wakes(number)
    return parking.parking(pool, 0, finish) is not None


def split(samples, *, working=10.0, blocked_s=9.0):
    """Return what blocked time waited for, of ten seconds of two workers."""
    counts = np.zeros((len(WaitReason), 1), dtype=np.int64)
    counts[0] = samples
    time = pool_time(blocked=blocked_s, no_work=20 - working - blocked_s)
    in_task = InTask(np.zeros((3, 1), dtype=np.int64), counts)
    return blocked(replace(time, core_time=CoreTimeSource.KERNEL, in_task=in_task))


def attempts(*first, others=None):
    """Return the verdict on eight thieves; the first tries the others so often, the rest alike."""
    rows = [list(first)] + [list(others or first)] * 7
    return victim_choice(with_diagonal(rows)).verdict


def zigzag(more):
    """Return attempts at seven victims, every other one so much above or below the mean of 1000."""
    return (1000 - more, 1000 + more) * 3 + (1000,)


def falling(step):
    """Return attempts at seven victims, in a fixed order: each one so much below the one before."""
    return tuple(1000 + step * (3 - place) for place in range(7))


def one_thief(*row):
    """Return the verdict on the only thief of three workers."""
    return victim_choice(with_diagonal([list(row), [0, 0], [0, 0]])).verdict


def tested(lazy):
    """Return how many of three thieves are tested, of whom one makes so many attempts a victim."""
    return len(victim_choice(with_diagonal([[400, 400], [400, 400], [lazy, lazy]])).thieves)


EVENLY = (1000,) * 7


VERDICTS = (
    Case("a promise", FOUND, "6 % broken", lambda: verdict(100, 6), "broken", ("MOST_BROKEN",)),
    Case("a promise", NOT_FOUND, "4 % broken", lambda: verdict(100, 4), "kept", ("MOST_BROKEN",)),
    Case("a promise", FOUND, "30 cases", lambda: verdict(30, 30), "broken", ("LEAST_CASES",)),
    Case("a promise", TOO_LITTLE, "29 cases", lambda: verdict(29, 29), "unknown", ("LEAST_CASES",)),
    Case("a promise", FOUND, "0.25 ms apart", lambda: raced(250), "broken", ("RACE_NS",)),
    Case("a promise", NOT_FOUND, "0.15 ms apart", lambda: raced(150), "kept", ("RACE_NS",)),
    Case("a promise", FOUND, "1.1 bounds", lambda: against_the_bound(1.1), "broken",
         ("BOUND_SLACK",)),
    Case("a promise", NOT_FOUND, "1 bound", lambda: against_the_bound(1.0), "kept",
         ("BOUND_SLACK",)),
    Case("wrong-steal-end", NOT_FOUND, "95 of 100", lambda: end_verdict(end(95)), "kept",
         ("KEPT_SHARE",)),
    Case("wrong-steal-end", FOUND, "75 of 100", lambda: end_verdict(end(75)), "broken",
         ("KEPT_SHARE",)),
    Case("wrong-steal-end", NOT_FOUND, "30 takes", lambda: end_verdict(end(30, 30)), "kept",
         ("LEAST_TAKES",)),
    Case("wrong-steal-end", TOO_LITTLE, "29 takes", lambda: end_verdict(end(29, 29)), "unknown",
         ("LEAST_TAKES",)),
    Case("wrong-steal-end", NOT_FOUND, "7 % unplaced", lambda: placed(8), "kept",
         ("MOST_UNPLACED",)),
    Case("wrong-steal-end", TOO_LITTLE, "12 % unplaced", lambda: placed(14), "unknown",
         ("MOST_UNPLACED",)),
    Case("park-churn", FOUND, "30 wakes", lambda: has_parking(30), True, ("LEAST_WAKES",)),
    Case("park-churn", TOO_LITTLE, "29 wakes", lambda: has_parking(29), False, ("LEAST_WAKES",)),
    Case("blocked-in-task", FOUND, "20 samples", lambda: bool(split(20).waits), True,
         ("LEAST_SAMPLES",)),
    Case("blocked-in-task", TOO_LITTLE, "19 samples", lambda: bool(split(19).waits), False,
         ("LEAST_SAMPLES",)),
    Case("interpreter-lock", FOUND, "0.95 cores", lambda: split(0, working=9.5).one_core, True,
         ("ONE_CORE",)),
    Case("interpreter-lock", NOT_FOUND, "0.75 cores", lambda: split(0, working=7.5).one_core, False,
         ("ONE_CORE",)),
    Case("interpreter-lock", NOT_FOUND, "1.2 cores",
         lambda: split(0, working=12, blocked_s=7).one_core, False, ("ONE_CORE",)),
    Case("interpreter-lock", FOUND, "1.6 in tasks",
         lambda: split(0, working=10, blocked_s=6).one_core, True, ("MANY_IN_TASK",)),
    Case("interpreter-lock", NOT_FOUND, "1.4 in tasks",
         lambda: split(0, working=10, blocked_s=4).one_core, False, ("MANY_IN_TASK",)),
    Case("uneven-victims", FOUND, "w of 0.25", lambda: attempts(*zigzag(270)), "broken",
         ("UNEVEN",)),
    Case("uneven-victims", NOT_FOUND, "w of 0.16", lambda: attempts(*zigzag(173)), "kept",
         ("UNEVEN",)),
    Case("uneven-victims", FOUND, "an order with w of 0.12", lambda: attempts(*falling(60)),
         "broken", ("ORDERED",)),
    Case("uneven-victims", NOT_FOUND, "an order with w of 0.08", lambda: attempts(*falling(40)),
         "kept", ("ORDERED",)),
    Case("uneven-victims", FOUND, "p of 2e-7", lambda: one_thief(125, 55), "broken", ("CHANCE",)),
    Case("uneven-victims", TOO_LITTLE, "p of 0.003", lambda: one_thief(110, 70), "unknown",
         ("CHANCE",)),
    Case("uneven-victims", FOUND, "6 expected at each victim", lambda: tested(6), 3,
         ("LEAST_EXPECTED",)),
    Case("uneven-victims", TOO_LITTLE, "4 expected at each victim", lambda: tested(4), 2,
         ("LEAST_EXPECTED",)),
    Case("uneven-victims", FOUND, "none of 24 expected",
         lambda: attempts(0, *(28,) * 6, others=EVENLY), "broken", ("NEVER_EXPECTED",)),
    Case("uneven-victims", NOT_FOUND, "none of 16 expected",
         lambda: attempts(0, *(19,) * 4, 18, 18, others=EVENLY), "kept", ("NEVER_EXPECTED",)),
)  # fmt: skip

# -- external processes ----------------------------------------------------------------------------


def estimate(share, low=None, high=None):
    return Estimate(share, share if low is None else low, share if high is None else high)


def seen(*, working=0.2, queued=0.0, parked=0.05, waits=(), samples=400, same=(0.0, 0),
         workers=4, window_s=60.0):  # fmt: skip
    """Return an external pool whose workers are blocked for the rest of the time."""
    rest = estimate(1 - working - queued - parked)
    shares = tuple(WaitShareReading(sort, share) for sort, share in waits)
    time = ExternalTime(workers * window_s, working, queued, estimate(parked), rest, samples,
                        shares, samples)  # fmt: skip
    place = PlaceReading("fetch", "/home/me/job.py", 12)
    people = tuple(
        ExternalWorkerReading(n, f"fetch_{n}", 7, 100 + n, 0, time, ExternalState.BLOCKED, "lock",
                              place, *(same if n == 0 else (0.0, 0)))
        for n in range(workers)
    )  # fmt: skip
    stacks = (StackReading((place,), samples),)
    return ExternalPoolReading("fetch", PoolKind.THREAD_POOL, "concurrent.futures.thread", 7,
                               people, window_s, time, (), stacks)  # fmt: skip


def external(*hosts, **told):
    (pool,) = with_external_findings((seen(**told),), hosts)
    return codes_of(pool.findings)


def at(sort, share, **told):
    return external(waits=((sort, share),), **told)


OF_EXTERNAL = (
    case("interpreter-lock", FOUND, "seen in 14 %", lambda: at("interpreter lock", 0.14),
         "LEAST_LOCKED"),
    case("interpreter-lock", NOT_FOUND, "seen in 11 %", lambda: at("interpreter lock", 0.11),
         "LEAST_LOCKED"),
    case("interpreter-lock", FOUND, "24 samples", lambda: at("interpreter lock", 0.8, samples=24),
         "LEAST_SAMPLES"),
    case("interpreter-lock", TOO_LITTLE, "16 samples",
         lambda: at("interpreter lock", 0.8, samples=16), "LEAST_SAMPLES"),
    case("lock-wait", FOUND, "seen in 14 %", lambda: at("lock", 0.14), "LEAST_LOCKED"),
    case("lock-wait", NOT_FOUND, "seen in 11 %", lambda: at("lock", 0.11), "LEAST_LOCKED"),
    case("lock-wait", TOO_LITTLE, "16 samples", lambda: at("lock", 0.8, samples=16)),
    case("blocked-in-task", FOUND, "seen in 33 %", lambda: at("sleep", 0.33), "LEAST_BLOCKED"),
    case("blocked-in-task", NOT_FOUND, "seen in 27 %", lambda: at("sleep", 0.27), "LEAST_BLOCKED"),
    case("blocked-in-task", TOO_LITTLE, "16 samples", lambda: at("sleep", 0.8, samples=16)),
    case("blocked-in-task", FOUND, "parked 24 %", lambda: at("sleep", 0.6, parked=0.24),
         "MOST_PARKED"),
    case("blocked-in-task", NOT_FOUND, "parked 39 %", lambda: at("sleep", 0.6, parked=0.39),
         "MOST_PARKED"),
    case("stuck-worker", FOUND, "35 s", lambda: external(same=(35.0, 35)), "LEAST_STUCK_S"),
    case("stuck-worker", NOT_FOUND, "25 s", lambda: external(same=(25.0, 25)), "LEAST_STUCK_S"),
    case("stuck-worker", FOUND, "12 samples", lambda: external(same=(60.0, 12)),
         "LEAST_STUCK_SAMPLES"),
    case("stuck-worker", TOO_LITTLE, "8 samples", lambda: external(same=(60.0, 8)),
         "LEAST_STUCK_SAMPLES"),
    case("more-workers-than-cores", FOUND, "all cores used",
         lambda: external(a_host(), working=0.5, queued=0.3)),
    case("more-workers-than-cores", NOT_FOUND, "cores to spare",
         lambda: external(a_host(usable_cores=8.0), working=0.5, queued=0.3)),
    case("more-workers-than-cores", TOO_LITTLE, "0.8 s",
         lambda: external(a_host(), working=0.5, queued=0.3, window_s=0.8)),
    case("cores-busy-elsewhere", FOUND, "half of the cores",
         lambda: external(a_host(), queued=0.3)),
    case("cores-busy-elsewhere", NOT_FOUND, "no wait", lambda: external(a_host(), queued=0.03)),
    case("cores-busy-elsewhere", TOO_LITTLE, "no figures of the host",
         lambda: external(queued=0.3)),
    case("cpu-quota", FOUND, "held back",
         lambda: external(a_host(throttled_share=1.0), queued=0.3)),
    case("cpu-quota", NOT_FOUND, "not held back", lambda: external(a_host(), queued=0.3)),
    case("cpu-quota", TOO_LITTLE, "0.8 s",
         lambda: external(a_host(throttled_share=1.0), queued=0.3, window_s=0.8)),
    case("memory-growth", FOUND, "2 MiB a minute",
         lambda: external(a_host(growth_bytes_per_minute=2 * MIB, growth_over_s=70.0,
                                 growth_is_steady=True))),
)  # fmt: skip

CASES = (
    *BY_CATEGORY, *BY_CHANGE, *OF_RUNS, *HEALTHY, *OF_WORKERS, *SLOWER, *LOST, *OF_THE_HOST,
    *OF_BACKLOGS, *OF_SCHEDULERS, *VERDICTS, *OF_EXTERNAL,
)  # fmt: skip
FINDINGS = tuple(FindingCode)
