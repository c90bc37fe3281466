"""Small jobs run plain, under `idlehands run`, and with a reader attached: is there a difference?

    .venv/bin/python tests/plain_against_probed.py                  # every Python from 3.9 to 3.15
    .venv/bin/python tests/plain_against_probed.py --python python3.12 --only forks/
    .venv/bin/python tests/plain_against_probed.py --repeat 20 --only signals/alarm

Compared are what each job prints, the status or signal it ends with, the files, processes and
sockets it leaves, and whether it takes more than three times as long and five seconds more. The
jobs are in `plain_jobs`, one a file. The exit status is 1 where there is a difference that is not
in `ALLOWED`, each of which docs/probing-jobs.md names. It takes some minutes a Python, and so is
not part of the test suite; a part of it is, see `probes/test_plain_against_probed.py`.
"""

from __future__ import annotations

import argparse
import difflib
import os
import re
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Callable

if __name__ == "__main__":
    sys.path[1:1] = [str(Path(__file__).resolve().parent.parent / "probes")]

from plain_runs import ASPECTS, HUNG, PLAIN, PROBED, WATCHED, Bench, Job, Python, Ran, all_jobs, prepare

AT_ONCE = 2
LINES_SHOWN, LETTERS_SHOWN = 30, 200
VERSIONS = ("3.9", "3.10", "3.11", "3.12", "3.13", "3.14", "3.15")


@dataclass(frozen=True)
class Allowed:
    """A difference that is meant: named as in docs/probing-jobs.md, with the jobs that show it."""

    name: str
    reason: str
    aspects: tuple[str, ...]
    lines: str
    """What each line that differs looks like, after its plus or minus."""
    jobs: tuple[str, ...]


ALLOWED = (
    Allowed(
        "Sockets left behind",
        "Nothing of the probe's runs when a process ends by os._exit, by a signal or by exec, and"
        " none can take a file away whose folder it may no longer enter.",
        ("sockets",),
        r"\+(\(pid\)\.sock|\.\(pid\)-\(random\))",
        (
            "exits/aborted",
            "exits/exec_of_another_program",
            "exits/killed_by_itself",
            "exits/os_exit",
            "exits/restarts_itself",
            "exits/terminated",
            "forks/child_outlives_parent",
            "forks/from_a_task_at_once",
            "forks/from_at_fork_functions",
            "forks/nested",
            "forks/soon_after_the_first_task",
            "limits/cpu_time",
            "signals/sigpipe_restored",
            "users/becomes_another_user",
            "users/changes_its_root",
        ),
    ),
    Allowed(
        "Frames below the main module",
        "The job is called by `idlehands run`, as it would be by any program that runs another.",
        ("stderr", "stdout"),
        r"\+  File .*(idlehands|runpy).*|[-+]2\d\d"
        r"|-<?sys>?:[01]: UserWarning: at the top|\+.*_run\.py:\d+: UserWarning: at the top"
        r"|\+  exec\(code, names\).*",
        (
            "exits/aborted",
            "limits/recursion_depth_of_main",
            "names/inspects_itself",
            "signals/faulthandler",
            "signals/faulthandler_all_threads",
        ),
    ),
    Allowed(
        "A thread and descriptors of its own",
        "Somebody has to listen for readers.",
        ("stderr", "stdout"),
        r"[-+]\d+|\+Thread 0x\(address\).*|\+  File .*|\+  <no Python frame>|\+",
        ("descriptors/count_at_the_end", "pools/counts_its_threads", "signals/faulthandler_all_threads"),
    ),
    Allowed(
        "One line says why nobody can attach",
        "Who waits for a socket wants to know; the job goes on. It is on the `idlehands` logger.",
        ("stderr",),
        r"\+nobody can attach to this process: .*",
        (
            "descriptors/none_left_at_first",
            "limits/no_more_threads",
            "limits/the_probes_thread_refused",
            "logging/says_why_nobody_can_attach",
            "surroundings/audit_hook_refuses",
            "surroundings/no_sockets",
            "users/changes_its_root",
            "users/changes_its_root_before_the_first_task",
        ),
    ),
    Allowed(
        "Private parts of the standard library",
        "The pools are hooked there: some objects have another class, some one attribute more.",
        ("stdout",),
        r".*(Queue|_idlehands|_put|_get|_WorkItem|Telling|unfinished_tasks).*|[-+]\(self.*",
        (
            "names/pools_signatures_and_classes",
            "pickling/executors_do_not_pickle",
            "queues/attributes_of_a_queue",
        ),
    ),
    Allowed(
        "A line of the probe's in a traceback through a queue",
        "A queue between processes is hooked by its methods, which Python's tracebacks show.",
        ("stderr",),
        r"\+  File .*_process_queues\.py.*|\+    item = .*|\+ *\^+",
        ("pickling/task_raises_on_arrival",),
    ),
    Allowed(
        "The command as it was given",
        "`sys.orig_argv` is the interpreter's own note of it.",
        ("stdout",),
        r"[-+]\[.*job\.py'\]",
        ("names/original_arguments",),
    ),
    Allowed(
        "Modules that are loaded already",
        "What the probe needs is imported before the job starts, so that no fork meets an import.",
        ("stdout",),
        r"-False|\+True",
        ("names/shadowed_standard_modules",),
    ),
)


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


def judge(job: Job, python: Python, room: Path, repeat: int = 1) -> Verdict:
    """Run a job all ways, and say what differs."""
    verdict = Verdict(job, job.why_not(python))
    if verdict.skipped:
        return verdict
    bench = Bench(job, python, room)
    for argument in (job.settings.rounds or (None,)) * repeat:
        plain = bench.run(PLAIN, argument)
        verdict.runs += 1
        for way in (PROBED, WATCHED):
            ran = bench.run(way, argument, plain.seconds)
            verdict.attached += ran.attached
            verdict.rows += ran.rows
            _note_time(verdict, way, ran)
            _compare(verdict, way, plain, ran, lambda: bench.run(PLAIN, argument))
        _note_time(verdict, PLAIN, plain)
    return verdict


def _note_time(verdict: Verdict, way: str, ran: Ran) -> None:
    verdict.seconds[way] = max(ran.seconds, verdict.seconds.get(way, 0.0))


def _compare(verdict: Verdict, way: str, plain: Ran, ran: Ran, plain_again: Callable[[], Ran]) -> None:
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
            print(f"{verdict.job.name:{width}}{times}{verdict.rows:6}  {verdict.result}", flush=True)
    return verdicts


def report(python: Python, verdicts: Sequence[Verdict]) -> None:
    """Print what differs, and how many jobs came to what."""
    for verdict in verdicts:
        for what, lines in verdict.different.items():
            if what.replace(WATCHED, PROBED) != what and what.replace(WATCHED, PROBED) in verdict.different:
                continue  # the same without a reader, and shown
            print(f"\n{verdict.job.name} under Python {python.name}, {what}: {verdict.job.sentence}")
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
    import noxfile  # noqa: F401 - puts pyenv's interpreters on the PATH

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
    parser.add_argument("--only", nargs="+", default=[""], help="jobs with such a part in their name")
    parser.add_argument("--repeat", type=int, default=1, help="how often to run each job each way")
    parser.add_argument("--list", action="store_true", help="say what each job tries, and end")
    given = parser.parse_args(arguments)
    jobs = [job for job in all_jobs() if any(part in job.name for part in given.only)]
    if not jobs:
        parser.error(f"no job has {' or '.join(given.only)} in its name")
    if given.list:
        for job in jobs:
            print(f"{job.name}: {job.sentence}")
        return 0
    status = 0
    for interpreter in given.python or find_pythons():
        with tempfile.TemporaryDirectory(prefix="plain-") as name:
            os.chmod(name, 0o755)  # a job may go on as another user
            room = Path(name)
            python = prepare(interpreter, room / "python")
            verdicts = compare_under(python, jobs, room, given.repeat)
            report(python, verdicts)
            status |= any(verdict.different for verdict in verdicts)
    return status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
