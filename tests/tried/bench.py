"""Captures jobs, predicts from a capture, and runs jobs with a change; keeps what it has run.

Every run, captured or tried, is made in the same way: by `idlehands run --capture`. So a difference
between predicted and tried is none between probed and plain. Touches: processes, one folder.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from .lines import Line

JOBS = Path(__file__).resolve().parent / "jobs"
SHARED = ("own_measure", "streams")
"""Modules that jobs of a folder share, where they are there."""
IDLEHANDS = (sys.executable, "-m", "idlehands")
RUN = (*IDLEHANDS, "run")
LONGEST_SECONDS = 120.0
"""The longest that a job or a prediction may take."""
FIGURES = "figures.json"
CAPTURED = "captured: "
"""Before the name of a run that was captured, which is not one of those that are compared."""


class JobFailed(Exception):
    """A job did not end well, or measured something else than its line says."""


class NotPredicted(Exception):
    """There is no prediction; the message says why."""


@dataclass(frozen=True)
class Prediction:
    """What `idlehands whatif` says, all in the line's unit: of the run as it was, and changed."""

    recorded: float
    reproduced: float
    low: float
    median: float
    high: float


class Bench:
    """Runs jobs. folder: holds captures and figures. jobs: the folder of the jobs.

    What is there is not run again, as long as the job is the same.
    """

    def __init__(self, folder: Path, jobs: Path = JOBS) -> None:
        self._folder, self._jobs = folder, jobs
        self._file = folder / FIGURES
        self._figures: dict[str, list[float]] = {}
        if self._file.exists():
            self._figures = json.loads(self._file.read_text(encoding="utf-8"))

    def capture(self, line: Line) -> Path:
        """Return the capture of the line's base; the job is run once for it."""
        name = self._name(line.job, line.base)
        path = self._folder / f"{name.replace('--', '').replace(' ', '_')}.idlehands"
        if not path.exists() or CAPTURED + name not in self._figures:
            draft = path.with_suffix(".part")
            self._keep(CAPTURED + name, [self._run(line, line.base, draft)])
            draft.rename(path)
        return path

    def captured(self, line: Line) -> float:
        """Return the own measure of the job in the captured run."""
        return self._figures[CAPTURED + self._name(line.job, line.base)][0]

    def tried(self, line: Line, runs: int) -> tuple[float, ...]:
        """Return the job's own measure in so many runs with the change."""
        name = self._name(line.job, line.tried)
        figures = self._figures.get(name, [])
        capture = self._folder / "tried.part"
        while len(figures) < runs:
            figures = [*figures, self._run(line, line.tried, capture)]
            capture.unlink(missing_ok=True)
            self._keep(name, figures)
        return tuple(figures[:runs])

    def _keep(self, name: str, figures: list[float]) -> None:
        self._figures[name] = figures
        self._file.write_text(json.dumps(self._figures, indent=1), encoding="utf-8")

    def _run(self, line: Line, settings: str, capture: Path) -> float:
        return run_job(self._jobs / f"{line.job}.py", settings, line.unit, capture)

    def _name(self, job: str, settings: str) -> str:
        """Return what a run is kept as. A job that has been changed since is another one."""
        return " ".join([job, *settings.split(), source_mark(self._jobs, job)])


def source_mark(jobs: Path, job: str) -> str:
    """Return some letters that change with a job's source, and with what it shares with others."""
    files = [jobs / f"{name}.py" for name in (job, *SHARED)]
    source = b"".join(file.read_bytes() for file in files if file.exists())
    return hashlib.sha256(source).hexdigest()[:8]


def run_job(script: Path, settings: str, unit: str, capture: Path) -> float:
    """Run a job, write a capture of it, and return its own measure. Raises JobFailed."""
    what = f"{script.stem} {settings}"
    command = [*IDLEHANDS, "run", str(script), *settings.split()]
    measure = json.loads(recorded_output(what, command, capture).splitlines()[-1])
    if measure["unit"] != unit:
        raise JobFailed(f"{what} measures {measure['unit']}, not {unit}")
    return float(measure["value"])


def recorded_output(what: str, command: Sequence[str], capture: Path) -> str:
    """Run a program, write a capture of it, and return what it printed. Raises JobFailed.

    command: Python's, for `idlehands run` or another program that is to be probed.
    """
    program = list(command[len(RUN) :] if tuple(command[: len(RUN)]) == RUN else command[1:])
    try:
        ran = subprocess.run(
            [*RUN, "--capture", str(capture), "--force", *program],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=LONGEST_SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise JobFailed(f"{what}: took over {LONGEST_SECONDS:.0f} s") from error
    if ran.returncode:
        raise JobFailed(f"{what}: status {ran.returncode}: {ran.stderr}")
    return ran.stdout


def predict(capture: Path, line: Line, seeds: int) -> Prediction:
    """Return what a capture alone lets one expect of the line's change. Raises NotPredicted."""
    command = [*IDLEHANDS, "whatif", str(capture), "--json", "--seeds", str(seeds)]
    ran = subprocess.run(
        [*command, *line.change.split()],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=LONGEST_SECONDS,
        check=False,
    )
    if ran.returncode:
        said = (ran.stderr.strip() or f"status {ran.returncode}").splitlines()[-1]
        # The table is for readers who do not have the file.
        raise NotPredicted(said.removeprefix("idlehands whatif: ").removeprefix(f"{capture}: "))
    return read_prediction(ran.stdout, line.unit)


def read_prediction(text: str, unit: str) -> Prediction:
    """Return the answer in the JSON of `idlehands whatif`, schema 1. Raises NotPredicted."""
    pools = json.loads(text)["pools"]
    answered = [pool for pool in pools if pool["answers"]]
    if not answered:
        reasons = [pool.get("refused") or "no answer" for pool in pools]
        raise NotPredicted("; ".join(reasons) or "no pool")
    (pool, *others), answer = answered, answered[0]["answers"][0]
    if others or len(pool["answers"]) > 1:
        raise NotPredicted("more than one answer")
    if pool["unit"] != unit:
        raise NotPredicted(f"answered in {pool['unit']}")
    values = (pool["recorded"], pool["reproduced"], answer["low"], answer["median"], answer["high"])
    return Prediction(*map(float, values))
