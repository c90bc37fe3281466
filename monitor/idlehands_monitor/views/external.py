"""What a process without a probe shows from outside, in words that the plain views share.

Pure: sampled pools in, words and numbers out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from ..model.external import RUNS_PROBED
from .formatting import clean, number_of, seconds, share, shortened

if TYPE_CHECKING:
    from ..model.external import (
        Estimate,
        ExternalPoolReading,
        ExternalTime,
        ExternalWorkerReading,
        PlaceReading,
        StackReading,
    )
    from ..model.reading import Reading

NAMES = {
    "working": "working",
    "blocked": "blocked",
    "run_queue_wait": "run-queue wait",
    "parked": "parked",
    "off_core": "off the core",
}
"""The parts of sampled worker time, in the order in which every view has them."""

NOT_RECORDED = (
    "This process is external: it is sampled, not recorded. Samples do not show how many tasks "
    "ran, how long they waited in the queue, whether parked workers were starved or had no work, "
    "what was stolen or handed over, or how fast workers woke."
)
IN_SHORT = ("sampled, not recorded", "no task counts, waits or steals")
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
TIME_NOTE = (
    "working and run-queue wait are exact, from the kernel's counters of each thread; parked is "
    "estimated from dumps of stacks, with its 95 % interval (Wilson, each dump counted once); "
    "blocked is the rest"
)


NAME_CELLS = 24
LOPSIDED = 3
"""An interval whose sides differ by more than so many hundredths is written from end to end."""


class Part(NamedTuple):
    """One part of sampled worker time: its share, and the interval where it is an estimate."""

    category: str
    value: float
    estimate: Estimate | None


def parts(time: ExternalTime) -> list[Part]:
    """Return the parts that add up to all worker time; none where no time is known."""
    if not time.seconds:
        return []
    found = [Part("working", time.working, None)]
    if time.blocked is not None and time.parked is not None:
        found += [
            Part("blocked", time.blocked.value, time.blocked),
            Part("run_queue_wait", time.run_queue_wait, None),
            Part("parked", time.parked.value, time.parked),
        ]
    else:
        found += [
            Part("run_queue_wait", time.run_queue_wait, None),
            Part("off_core", time.off_core, None),
        ]
    return found


def amount(part: Part) -> str:
    """Write a share with its interval: 25 %, 41 % ± 12, or 3 % (0–36) where it is lopsided."""
    if part.estimate is None:
        return share(part.value)
    low, value, high = (
        round(100 * number) for number in (part.estimate.low, part.value, part.estimate.high)
    )
    if low == high:
        return share(part.value)
    below, above = value - low, high - value
    if abs(below - above) > LOPSIDED:
        return f"{value} % ({low}–{high})"
    return f"{value} % ± {max(below, above)}"


def waits_text(time: ExternalTime) -> str:
    """Write what off-core time went into, empty where that is not known."""
    return ", ".join(
        f"{clean(wait.sort, 30)} {share(wait.share)}" for wait in time.waits if wait.share >= 0.005
    )


def place_text(place: PlaceReading) -> str:
    """Write one frame: function (file:line), without the folders."""
    file = shortened(clean(place.file.rpartition("/")[2]), 60)
    where = f" ({file}:{place.line})" if file else ""
    return f"{shortened(clean(place.function), 60)}{where}"


def stack_text(stack: StackReading) -> str:
    """Write where workers were seen, innermost first."""
    return " ← ".join(map(place_text, stack.frames)) or "no Python frame"


def state_text(worker: ExternalWorkerReading) -> str:
    """Write what a worker was in at its last sample."""
    state = "not known" if worker.state == "unknown" else worker.state
    if worker.state == "unknown" and worker.waits_for:
        state = f"off the core, {clean(worker.waits_for, 30)}"
    elif worker.state == "blocked" and worker.waits_for:
        state = f"blocked, {clean(worker.waits_for, 30)}"
    return state


def origin(pool: ExternalPoolReading) -> str:
    """Write what a pool looks like and whose it is."""
    module = f", {clean(pool.module, 60)}" if pool.module and pool.module != pool.name else ""
    return f"{clean(pool.kind, 30)}{module}, process {pool.pid}"


def missing_text(pool: ExternalPoolReading) -> str:
    """Write why there are no stacks and what there is all the same, empty where there are."""
    if not pool.missing:
        return ""
    waits = ", and what threads wait for." if pool.time.waits else "."
    return f"Stacks could not be read: {clean(pool.missing, 400)}. {STILL_SHOWN}{waits}"


def advice_text(pool: ExternalPoolReading, program: str) -> str:
    """Write how to learn what samples do not show of a program, or that its library has no
    adapter."""
    if pool.library:
        return LIBRARY_ADVICE.format(library=clean(pool.library, 40))
    return _probe_advice(program)


def _probe_advice(program: str) -> str:
    return NO_TASK_YET if program.rpartition("/")[2] in RUNS_PROBED else PROBE_ADVICE


def advice_lines(reading: Reading) -> list[str]:
    """Return the same for all pools of a process, each sentence once."""
    program = reading.source.program
    lines = dict.fromkeys(advice_text(pool, program) for pool in reading.sampled)
    return list(lines) or [_probe_advice(program)]


def dumps_text(pool: ExternalPoolReading) -> str:
    """Write how much the figures rest on."""
    dumps = pool.time.dumps
    return f"{number_of(dumps, 'dump')} in {seconds(pool.window_s)}"


def explain_lines(reading: Reading) -> list[str]:
    """Return the text of all sampled pools of a reading, for `explain`."""
    lines = [NOT_RECORDED, *advice_lines(reading)]
    for pool in reading.sampled:
        lines += ["", *_pool_lines(pool)]
    if all(pool.missing for pool in reading.sampled):
        return lines
    return [*lines, "", f"({TIME_NOTE})"]


def _pool_lines(pool: ExternalPoolReading) -> list[str]:
    lines = [
        f"Pool {clean(pool.name, 60)} (looks like: {origin(pool)}): "
        f"{number_of(len(pool.workers), 'worker')}, "
        f"{dumps_text(pool)}, {pool.time.seconds:.1f} worker-seconds"
    ]
    if pool.missing:
        lines.append(missing_text(pool))
    lines += ["", "Where the worker time went"]
    for part in parts(pool.time):
        spent = f"{part.value * pool.time.seconds:>10.2f} s"
        lines.append(f"  {NAMES[part.category]:<15}{spent}   {amount(part)}")
        if part.category in ("blocked", "off_core"):
            lines += [
                f"    {clean(wait.sort, 30):<20}{share(wait.share):>6}" for wait in pool.time.waits
            ]
    if pool.time.waits:
        lines.append(
            f"  (what it waited for comes from {number_of(pool.time.wait_samples, 'sample')})"
        )
    for title, stacks in (
        ("Most often parked in", pool.parked_stacks),
        ("Most often blocked in", pool.blocked_stacks),
    ):
        if stacks:
            lines += ["", title]
            lines += [f"  {stack.samples:>5} × {stack_text(stack)}" for stack in stacks]
    lines += ["", "Workers"]
    for worker in pool.workers:
        shares = ", ".join(f"{NAMES[part.category]} {amount(part)}" for part in parts(worker.time))
        lines.append(
            f"  {worker.index:>4} {shortened(clean(worker.name), NAME_CELLS):<{NAME_CELLS}} "
            f"{shares or 'no counters'}; {state_text(worker)}"
        )
    return lines


def second_part(pool: ExternalPoolReading) -> str:
    """Return a pool in part of one line, for terminals without a screen and for logs."""
    shares = ", ".join(f"{NAMES[part.category]} {amount(part)}" for part in parts(pool.time))
    waits = waits_text(pool.time)
    if waits:
        shares += f"; {'blocked' if pool.time.blocked else 'off the core'} in: {waits}"
    if pool.missing:
        shares += f"; stacks could not be read: {clean(pool.missing, 400)}"
    workers = number_of(len(pool.workers), "worker")
    return f"{clean(pool.name, 60)} ({workers}, external): {shares}"
