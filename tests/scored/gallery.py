"""The jobs that are scored: what is wrong in each, and the code that its headline must have.

Two galleries: jobs with stock pools (`tests/jobs/causes`) and the demonstration's own faults. A job
without a code has no fault.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from idlehands_demo.faults import FAULTS, NO_FAULT, Fault
from idlehands_monitor.model.vocabulary import FindingCode
from tried.bench import IDLEHANDS, source_mark
from tried.lines import P95_S, SECONDS, TASKS_PER_S

CAUSES = Path(__file__).resolve().parent.parent / "jobs" / "causes"
FOREIGN, DEMONSTRATION = "foreign jobs", "the demonstration"
JOB_SECONDS, DEMONSTRATION_SECONDS = 9.0, 15.0
"""How long a job at scale 1 takes about, and how long the demonstration runs."""


@dataclass(frozen=True)
class Entry:
    """One job: its gallery, its name, the accepted codes (the expected one first), what is wrong.

    arguments: of the demonstration. seen: options of `explain`, for what is over at the end of a
    run. unit: of a foreign job's own measure. follow: how a change that a finding advises becomes
    an option of the mended job: a pattern with one group, the option.
    """

    gallery: str
    name: str
    codes: tuple[str, ...]
    words: str
    unit: str = ""
    is_mended: bool = False
    follow: tuple[str, str] | None = None
    arguments: tuple[str, ...] = ()
    seen: tuple[str, ...] = ()

    @property
    def is_healthy(self) -> bool:
        """Whether nothing is wrong in it."""
        return not self.codes

    def kept_as(self, seed: int, seconds: float | None) -> str:
        """Return the name of a capture of it. A job that has been changed since is another one."""
        mark = source_mark(CAUSES, self.name) if self.gallery == FOREIGN else ""
        length = f"{seconds:g}s" if seconds else ""
        parts = (*self.name.split(), length, mark, str(seed))
        return "-".join(part for part in parts if part) + ".idlehands"

    def command(self, seed: int, seconds: float | None) -> list[str]:
        """Return the command that runs it, probed."""
        if self.gallery == FOREIGN:
            scale = (seconds or JOB_SECONDS) / JOB_SECONDS
            script = str(CAUSES / f"{self.name}.py")
            return [*IDLEHANDS, "run", script, "--seed", str(seed), "--scale", f"{scale:g}"]
        ends = f"{seconds or DEMONSTRATION_SECONDS:g}s"
        program = [sys.executable, "-m", "idlehands_demo", *self.arguments]
        return [*program, "--for", ends, "--seed", str(seed)]


def _faulty(
    name: str, codes: str, words: str, unit: str = SECONDS, follow: tuple[str, str] | None = None
) -> Entry:
    return Entry(FOREIGN, name, tuple(codes.split()), words, unit, follow=follow)


def _mended(
    name: str, codes: str, words: str, unit: str = SECONDS, follow: tuple[str, str] | None = None
) -> Entry:
    return Entry(FOREIGN, name, tuple(codes.split()), words, unit, True, follow)


def _healthy(name: str, words: str, unit: str = SECONDS) -> Entry:
    return Entry(FOREIGN, name, (), words, unit)


SO_MANY_WORKERS = (r"Give the pool (\d+) worker", "--workers")
SO_LARGE_CHUNKS = (r"Put about (\d+) calls", "--chunk")
SO_MANY_PIECES = (r"into (\d+) times as many pieces", "--pieces")
"""How a finding says its change, and the option that makes the same change."""
ALONE = "too-little-parallelism serial-stretch"
"""One task at a time: both codes say so."""

FOREIGN_JOBS = (
    _mended("kite_prices", "too-few-workers", "2 threads, tasks wait", follow=SO_MANY_WORKERS),
    _mended(
        "lamp_repairs", "too-few-workers", "2 threads around a queue, tasks wait",
        follow=SO_MANY_WORKERS,
    ),
    _mended(
        "moth_wings", "more-workers-than-cores", "16 processes on 2 cores, an open stream", P95_S,
        SO_MANY_WORKERS,
    ),
    _mended("glyph_tracing", "interpreter-lock", "pure Python in 4 threads"),
    _mended("rune_sorting", "interpreter-lock", "pure Python in a pool of 4 threads"),
    _mended("bakery_board", "interpreter-lock", "the main thread computes all the time"),
    _mended("wax_seals", "lock-wait", "a lock is held over a wait, 8 threads"),
    _mended("beehive_log", "lock-wait", "a log's lock is held over a wait, threads around a queue"),
    _mended("tile_kiln", "barrier-wait", "batch after batch, 6 threads"),
    _mended("choir_scores", "barrier-wait", "batch after batch, 4 loky processes"),
    _mended(
        "bead_checks", "grain-too-fine", "calls of 50 µs in a process pool", follow=SO_LARGE_CHUNKS
    ),
    _mended(
        "stitch_counts", "grain-too-fine", "calls of 50 µs in joblib batches of 1",
        follow=SO_LARGE_CHUNKS,
    ),
    _mended(
        "map_inking", "grain-too-coarse", "the largest chunk runs last and alone",
        follow=SO_MANY_PIECES,
    ),
    _mended("photo_frames", "slow-hand-over", "long lists to processes and back", TASKS_PER_S),
    _mended("bell_tuning", "slow-submitter", "the main thread prepares slower than workers run"),
    _mended("two_mills", "stranded-in-other-pool", "two pools, one overloaded and one idle"),
    _mended("pearl_divers", "too-little-parallelism", "2 tasks in flight, 6 threads", TASKS_PER_S),
    _mended("bridge_survey", "serial-stretch too-little-parallelism", "one long task at the end"),
    _faulty("recipe_steps", ALONE, "a chain of tasks, 4 threads"),
    _mended("family_trees", "nested-wait", "3 of 4 threads wait for tasks of their own pool"),
    _faulty("letter_carriers", "nested-wait", "a deadlock: each thread waits for its own pool"),
    _faulty("glass_ovens", "lost-worker", "a killed process breaks its executor"),
    _faulty("salt_weighing", "lost-worker", "a killed process takes a task with it"),
    _faulty("apple_belts", "lost-worker", "threads end by exceptions beside a queue"),
    _faulty("seed_sorting", "failing-tasks", "a third of the tasks raise"),
    _faulty("claim_desk", "growing-backlog", "more tasks come than 2 cores can do", TASKS_PER_S),
    _faulty("pressed_flowers", "memory-growth", "a cache without a bound, 250 MB", P95_S),
    _faulty("parcel_tracing", "stuck-worker", "one task never ends", P95_S),
    _mended("rope_walk", "cores-busy-elsewhere", "two other processes use the cores"),
    _healthy("harbour_lights", "8 tasks in flight, 8 threads", TASKS_PER_S),
    _healthy("loom_patterns", "computing, as many processes as cores"),
    _healthy("ferry_tickets", "an open stream, 8 threads half busy", P95_S),
    _healthy("clock_orders", "threads around a queue that keep up", P95_S),
    _healthy("snail_shells", "joblib, its own batches"),
    _healthy("cheese_labels", "a closed stream, 2 processes on 2 cores", TASKS_PER_S),
    _healthy("paper_hashes", "hashes in 2 threads, which release the lock"),
    _healthy("ink_mixing", "chunks of 8 in a pool of 2 processes"),
)  # fmt: skip
"""The jobs of `tests/jobs/causes`."""


STUCK = ("--to", "12s")
"""The demonstration ends tasks that hang when its time is over; a real job would be killed."""

EXPECTED = {
    "early-park": "starved-beside-work",
    "single-station": ALONE,
    "fixed-victims": "uneven-victims",
    "nearest-neighbour": "uneven-victims",
    "thieves-take-newest": "wrong-steal-end",
    "owners-take-oldest": "wrong-steal-end",
    "crossed-pools": "stranded-in-other-pool",
    "global-lock": "deque-contention",
}
"""The codes of the demonstration's faults that name none themselves."""


def _demonstrations() -> Iterator[Entry]:
    for fault in FAULTS.values():
        codes = _codes(fault)
        scenario = (fault.scenario,) if fault.scenario else ()
        for pool in _pools(fault) if codes else ():  # a broken promise is no finding
            arguments = (*scenario, "--fault", fault.name, *pool)
            name = " ".join((fault.name, *pool[1:]))
            seen = STUCK if FindingCode.STUCK_WORKER in codes else ()
            yield Entry(
                DEMONSTRATION, name, codes, fault.description, arguments=arguments, seen=seen
            )
    for pool in _pools(NO_FAULT):
        name = " ".join(("tide-archive", *pool[1:]))
        arguments = ("tide-archive", *pool)
        yield Entry(DEMONSTRATION, name, (), "nothing", arguments=arguments)
    yield Entry(DEMONSTRATION, "twin-archives", (), "nothing", arguments=("twin-archives",))


def _codes(fault: Fault) -> tuple[str, ...]:
    """Return the codes that a fault says it shows."""
    shown = str(getattr(fault, "shows", "") or EXPECTED[fault.name])
    return tuple(code for code in shown.partition(":")[0].split() if code in set(FindingCode))


def _pools(fault: Fault) -> list[tuple[str, ...]]:
    """Return the option for each kind of pool that carries a fault, none for the default."""
    others = sorted({str(pool.value) for pool in getattr(fault, "pools", ())} - {"stealing"})
    has_default = not others or len(others) < len(getattr(fault, "pools", ()))
    return [*([()] if has_default else []), *(("--pool", pool) for pool in others)]


GALLERY = (*_demonstrations(), *FOREIGN_JOBS)
"""All that is scored, in the order of the table."""
