"""Small jobs run plain, under `idlehands run`, and with a reader attached: is there a difference?

    .venv/bin/python tests/plain_against_probed.py                  # every Python from 3.9 to 3.15
    .venv/bin/python tests/plain_against_probed.py --python python3.12 --only forks/
    .venv/bin/python tests/plain_against_probed.py --repeat 20 --only signals/alarm

The comparison covers what each job prints, the status or signal it ends with, the files, processes
and sockets it leaves, and whether it takes more than three times as long and five seconds more. The
jobs are in `plain_jobs`, one a file. The exit status is 1 where there is a difference that is not
in `plain_differences`, each of which docs/probing-jobs.md names. It takes some minutes a Python,
and so is not part of the test suite; a part of it is, see `probes/test_plain_against_probed.py`.
"""

from __future__ import annotations

import argparse
import difflib
import os
import re
import signal
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Callable

if __name__ == "__main__":
    sys.path[1:1] = [str(Path(__file__).resolve().parent.parent / "probes")]

from plain_catalogue import Job, Python, all_jobs, prepare
from plain_differences import ALLOWED
from plain_runs import ASPECTS, HUNG, PLAIN, PROBED, WATCHED, Bench, Ran

AT_ONCE = 2
LINES_SHOWN, LETTERS_SHOWN = 30, 200


@dataclass
class Verdict:
    """What came of a job under one Python."""

    job: Job
    skipped: str = ""
    seconds: dict[str, float] = field(default_factory=dict)
    """The longest run of each way."""
    attached: int = 0
    rows: int = 0
    runs: int = 0
    allowed: set[str] = field(default_factory=set)
    different: dict[str, list[str]] = field(default_factory=dict)
    """What differs and is not allowed: by "way: aspect", lines that show it, of the first time."""
    times: dict[str, int] = field(default_factory=dict)
    """How often each of those was seen."""

    @property
    def result(self) -> str:
        """What the table says of it."""
        if self.skipped:
            return f"skipped: {self.skipped}"
        if self.different:
            seen = (f"{what} ({count} of {self.runs})" for what, count in self.times.items())
            return f"DIFFERENT {', '.join(seen)}"
        return f"listed: {', '.join(sorted(self.allowed))}" if self.allowed else "same"


def judge(
    job: Job, python: Python, room: Path, repeat: int = 1, ways: Sequence[str] = (PROBED, WATCHED)
) -> Verdict:
    """Run a job plain and the given ways, and say what differs."""
    verdict = Verdict(job, job.why_not(python))
    if verdict.skipped:
        return verdict
    bench = Bench(job, python, room)
    for argument in (job.settings.rounds or (None,)) * repeat:
        plain = bench.run(PLAIN, argument)
        verdict.runs += 1
        for way in ways:
            ran = bench.run(way, argument, plain.seconds)
            verdict.attached += ran.attached
            verdict.rows += ran.rows
            _note_time(verdict, way, ran)
            _compare(verdict, way, plain, ran, partial(bench.run, PLAIN, argument))
        _note_time(verdict, PLAIN, plain)
    return verdict


def _note_time(verdict: Verdict, way: str, ran: Ran) -> None:
    verdict.seconds[way] = max(ran.seconds, verdict.seconds.get(way, 0.0))


def _compare(
    verdict: Verdict, way: str, plain: Ran, ran: Ran, plain_again: Callable[[], Ran]
) -> None:
    """Note where `ran` differs from `plain`; a job that differs from itself is no test."""
    if plain.status == HUNG:
        _note(verdict, "plain: status", ["the job hangs without the probe too"])
        return
    if ran.status == HUNG:
        _note(verdict, f"{way}: {HUNG}", [*_shown(plain.stdout, ran.stdout), *_lines(ran.stderr)])
        return
    differing = [aspect for aspect in ASPECTS if getattr(plain, aspect) != getattr(ran, aspect)]
    for aspect in differing:
        lines = list(_shown(getattr(plain, aspect), getattr(ran, aspect)))
        allowed = _allowed(verdict.job.name, aspect, lines)
        if allowed:
            verdict.allowed.update(allowed)
            continue
        if getattr(plain_again(), aspect) != getattr(plain, aspect):
            _note(verdict, f"plain: {aspect}", ["two plain runs differ"])
        _note(verdict, f"{way}: {aspect}", lines)


def _allowed(job: str, aspect: str, lines: list[str]) -> set[str]:
    """Return the names of the differences that explain all `lines`, none where one is left over."""
    names = set()
    for line in lines[2:]:  # after the two of the header
        if line.startswith("@@"):
            continue
        fitting = {
            entry.name
            for entry in ALLOWED
            if job in entry.jobs and aspect in entry.aspects and re.fullmatch(entry.lines, line)
        }
        if not fitting:
            return set()
        names |= fitting
    return names


def _note(verdict: Verdict, what: str, lines: list[str]) -> None:
    verdict.different.setdefault(what, lines)
    verdict.times[what] = verdict.times.get(what, 0) + 1


def _shown(plain: object, ran: object) -> Iterator[str]:
    before, after = _lines(plain), _lines(ran)
    yield from difflib.unified_diff(before, after, PLAIN, PROBED, n=0, lineterm="")


def _lines(value: object) -> list[str]:
    if isinstance(value, bytes):
        return value.decode(errors="backslashreplace").splitlines()
    if isinstance(value, dict):
        return [f"{name}: {content!r}" for name, content in value.items()]
    return list(map(str, value)) if isinstance(value, list) else [str(value)]


def compare_under(python: Python, jobs: Sequence[Job], room: Path, repeat: int) -> list[Verdict]:
    """Run all jobs under one Python; print a line of the table for each as it ends."""
    width = max(len(job.name) for job in jobs)
    print(f"\nPython {python.name}: {len(jobs)} jobs", flush=True)
    print(f"{'job':{width}}   plain  probed watched  read  result")
    verdicts = []
    with ThreadPoolExecutor(AT_ONCE) as pool:

        def go(number: int, job: Job) -> Verdict:
            own = room / str(number)
            own.mkdir()
            return judge(job, python, own, repeat)

        for future in [pool.submit(go, number, job) for number, job in enumerate(jobs)]:
            verdict = future.result()
            verdicts.append(verdict)
            times = "".join(
                f"{verdict.seconds[way]:6.2f} s" if way in verdict.seconds else " " * 8
                for way in (PLAIN, PROBED, WATCHED)
            )
            print(
                f"{verdict.job.name:{width}}{times}{verdict.rows:6}  {verdict.result}", flush=True
            )
    return verdicts


def report(python: Python, verdicts: Sequence[Verdict]) -> None:
    """Print what differs, and how many jobs came to what."""
    for verdict in verdicts:
        for what, lines in verdict.different.items():
            if (
                what.replace(WATCHED, PROBED) != what
                and what.replace(WATCHED, PROBED) in verdict.different
            ):
                continue  # the same without a reader, and shown
            print(
                f"\n{verdict.job.name} under Python {python.name}, {what}: {verdict.job.sentence}"
            )
            for line in lines[:LINES_SHOWN]:
                print(f"    {line[:LETTERS_SHOWN]}")
            if len(lines) > LINES_SHOWN:
                print(f"    and {len(lines) - LINES_SHOWN} lines more")
    different = [verdict.job.name for verdict in verdicts if verdict.different]
    skipped = sum(bool(verdict.skipped) for verdict in verdicts)
    listed = sum(bool(verdict.allowed) and not verdict.different for verdict in verdicts)
    same = len(verdicts) - len(different) - skipped - listed
    print(
        f"\nPython {python.name}: {same} the same, {listed} with a listed difference,"
        f" {skipped} skipped, {len(different)} different"
    )


def find_pythons() -> list[str]:
    """Return the interpreters of this machine, one a version, as noxfile.py finds them."""
    from noxfile import VERSIONS  # which puts pyenv's interpreters on the PATH

    folders = os.environ["PATH"].split(os.pathsep)
    found = []
    for version in VERSIONS:
        paths = [os.path.join(folder, f"python{version}") for folder in folders]
        found += [path for path in paths if os.access(path, os.X_OK)][:1]
    return found


def main(arguments: Sequence[str]) -> int:
    """Compare; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--python", nargs="+", help="interpreters, in place of all that are found")
    parser.add_argument(
        "--only", nargs="+", default=[""], help="jobs with such a part in their name"
    )
    parser.add_argument("--repeat", type=int, default=1, help="how often to run each job each way")
    parser.add_argument("--list", action="store_true", help="say what each job tries, and end")
    given = parser.parse_args(arguments)
    jobs = [job for job in all_jobs() if any(part in job.name for part in given.only)]
    if not jobs:
        parser.error(f"no job has {' or '.join(given.only)} in its name")
    # A shell's background job ignores ctrl+c, and a child takes that over; jobs are to be ended.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    if given.list:
        for job in jobs:
            print(f"{job.name}: {job.sentence}")
        return 0
    status = 0
    for interpreter in given.python or find_pythons():
        with tempfile.TemporaryDirectory(prefix="plain-") as name:
            os.chmod(name, 0o755)  # noqa: S103 - a job may go on as another user
            room = Path(name)
            python = prepare(interpreter, room / "python")
            verdicts = compare_under(python, jobs, room, given.repeat)
            report(python, verdicts)
            status |= any(verdict.different for verdict in verdicts)
    return status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
