"""The lines of "predicted against tried": which job is captured how, and which change is tried.

The captured setting of a job (`base`) is captured once for all lines that share it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

SECONDS, TASKS_PER_S, P95_S = "seconds", "tasks_per_s", "p95_s"
"""The units, as in the JSON of `idlehands whatif` and in a job's own last line."""


@dataclass(frozen=True)
class Line:
    """One change to one job.

    job: the module in `jobs`. base, tried: the settings of the captured run and of the changed one,
    options of the job. change: options of `idlehands whatif`. base_words, change_words: both as the
    table shows them. why: the reason for which the prediction misses, where it does.
    """

    job: str
    unit: str
    base: str
    base_words: str
    change: str
    change_words: str
    tried: str
    why: str = ""

    @property
    def name(self) -> str:
        """What `--only` chooses by."""
        return f"{self.job} {self.base} {self.change}".replace("  ", " ")


def _over_workers(job: str, unit: str, numbers: tuple[int, ...]) -> Iterator[Line]:
    """Yield a line for each number of workers, all from a capture with 4."""
    for number in numbers:
        option = f"--workers {number}"
        words = f"{number} worker{'' if number == 1 else 's'}"
        yield Line(job, unit, "--workers 4", "4 workers", option, words, option)


def _stealing_grains() -> Iterator[Line]:
    for change, words, leaf in (
        ("--grain x2", "leaf twice as large", "--leaf 8"),
        ("--grain x4", "leaf 4 times as large", "--leaf 16"),
        ("--grain /2", "leaf half as large", "--leaf 2"),
        ("--grain x4 --workers 16", "leaf 4 times as large, 16 workers", "--leaf 16 --workers 16"),
    ):
        tried = leaf if "--workers" in leaf else f"--workers 4 {leaf}"
        yield Line("stealing_tree", SECONDS, "--workers 4", "4 workers", change, words, tried)


STARTING = "processes have to be started, and to hand over costs them more: neither is in the model"
FEW_SAMPLES = "how long tasks waited for the lock is known from some 70 samples only"


def _without_interpreter_lock() -> Iterator[Line]:
    for base, words in (
        ("--workers 2", "2 threads that compute"),
        ("--workers 4", "4 threads that compute"),
        (
            "--workers 8 --mean-ms 8 --wait-ms 40 --tasks 480",
            "8 threads that mostly wait",
        ),
    ):
        tried = f"{base} --processes"
        change = "--no-interpreter-lock"
        yield Line("interpreter_lock", SECONDS, base, words, change, "processes", tried, STARTING)


def _locks() -> Iterator[Line]:
    for base, base_words, change, words, tried, why in (
        ("--workers 8", "8 workers", "--no-lock", "no lock", "--workers 8 --locks 0", ""),
        ("--workers 8", "8 workers", "--split-lock 4", "4 locks", "--workers 8 --locks 4", ""),
        ("--workers 4", "4 workers", "--no-lock", "no lock", "--workers 4 --locks 0", FEW_SAMPLES),
    ):
        yield Line("one_lock", SECONDS, base, base_words, change, words, tried, why)


FEW = "--workers 2 --calls 4000"
"""A worker process a core, so that other load on the machine disturbs the calls less."""
CHART, EARLY = "--chart-factor 0.5", "--workers 8 --trees 10 --readings 512"

LINES = (
    *_over_workers("stealing_tree", SECONDS, (1, 2, 4, 8, 16, 32)),
    *_stealing_grains(),
    *_without_interpreter_lock(),
    *_over_workers("thread_batch", SECONDS, (1, 2, 4, 8, 16)),
    *_over_workers("closed_stream", TASKS_PER_S, (1, 2, 4, 8, 16)),
    *_over_workers("open_stream", P95_S, (3, 4, 6, 8)),
    Line(
        "two_kinds", SECONDS, "", "4 workers", "--kind __main__.chart_depths=-50%",
        "chart_depths 50 % faster", CHART,
    ),
    Line(
        "two_kinds", SECONDS, "", "4 workers", "--wait __main__.chart_depths=-50%",
        "chart_depths waits half as long", "--chart-wait-factor 0.5",
    ),
    *_locks(),
    Line(
        "stealing_tree", SECONDS, f"{EARLY} --parks-early", "8 workers that park early",
        "--park-when-empty", "workers park when the pool is empty", EARLY,
    ),
    Line(
        "two_pools", SECONDS, "", "two pools of 4 workers", "--one-pool",
        "one pool of 8 workers", "--one-pool",
    ),
    *(
        Line(
            "process_chunks", SECONDS, FEW, "chunks of 1", change, f"chunks of {chunk}",
            f"{FEW} --chunk {chunk}",
        )
        for chunk, change in ((1, "--workers 2"), (8, "--grain x8"), (64, "--grain x64"))
    ),
    Line(
        "barriers", SECONDS, "", "batch after batch", "--hand-in-at-once", "all handed in at once",
        "--at-once",
    ),
)  # fmt: skip
"""All lines, in the order of the table."""
