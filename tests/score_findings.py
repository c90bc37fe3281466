"""Scores the findings: jobs with a known fault are run and captured, and headlines are compared.

    .venv/bin/python tests/score_findings.py                         # all jobs, 5 seeds each
    .venv/bin/python tests/score_findings.py --only tile_kiln wax    # jobs with this in the name
    .venv/bin/python tests/score_findings.py --table docs/findings/scores.md
    .venv/bin/python tests/score_findings.py --folder F              # keep captures; explain those
    .venv/bin/python tests/score_findings.py --list                  # say what there is

The jobs are in `scored/gallery.py`. Each is run with each seed under the probe and captured to its
end; the headline is that of `idlehands explain --json` on the capture. With `--folder` a second
call runs nothing that is there already, and explains again; foreign jobs that were changed since
are run again, the demonstration is not. The exit status is 1 where too few runs are right.

Nothing else should run on the machine: what takes cores from a job is a cause of its own.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

if __name__ == "__main__":
    sys.path[1:1] = [str(Path(__file__).resolve().parent)]

from scored.gallery import GALLERY, Entry
from scored.reading import NotExplained, all_found, explain, headline
from scored.scores import Run, Score, head, holds, row, summary, table
from tried.bench import JobFailed, recorded_output


def scores(entries: Sequence[Entry], folder: Path, given: argparse.Namespace) -> Iterator[Score]:
    """Yield what each job comes to. folder: for captures.

    Runs are made one after the other. Their captures are explained on all cores: nothing in them
    depends on how long that takes.
    """
    with ThreadPoolExecutor(os.cpu_count()) as explaining:
        for entry in entries:
            seeds = range(1, given.seeds + 1)
            captures = [folder / entry.kept_as(seed, given.seconds) for seed in seeds]
            failed = [
                record(entry, seed, given.seconds, capture)
                for seed, capture in zip(seeds, captures, strict=True)
            ]
            said = explaining.map(partial(said_of, entry), seeds, captures, failed)
            yield Score(entry, tuple(said))
            for capture in () if given.folder else captures:
                capture.unlink(missing_ok=True)


def run(entry: Entry, seed: int, seconds: float | None, capture: Path) -> Run:
    """Capture a job, where the capture is not there yet, and return what is said of it."""
    return said_of(entry, seed, capture, record(entry, seed, seconds, capture))


def record(entry: Entry, seed: int, seconds: float | None, capture: Path) -> str:
    """Capture a job, where the capture is not there yet; return why it failed, "" if it did not."""
    if capture.exists():
        return ""
    draft = capture.with_suffix(".part")
    try:
        recorded_output(f"{entry.name}, seed {seed}", entry.command(seed, seconds), draft)
    except JobFailed as error:
        print(f"{entry.name}, seed {seed}: {error}", file=sys.stderr)
        return type(error).__name__
    draft.rename(capture)
    return ""


def said_of(entry: Entry, seed: int, capture: Path, failed: str) -> Run:
    """Return what is said of a capture, or why there is none."""
    if failed:
        return Run(failed=failed)
    try:
        document = explain(capture, entry.seen)
    except NotExplained as error:
        print(f"{entry.name}, seed {seed}: {error}", file=sys.stderr)
        return Run(failed=type(error).__name__)
    first = headline(document)
    worth = tuple(found.code for found in all_found(document) if found.is_worth_it)
    return Run(first.code if first else "", worth)


def parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    made = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    made.add_argument("--only", nargs="+", default=[""], help="jobs with this in the name")
    made.add_argument("--seeds", type=int, default=5, help="runs of each job")
    made.add_argument("--seconds", type=float, help="about how long each run takes")
    made.add_argument("--table", type=Path, metavar="FILE", help="write the table as Markdown")
    made.add_argument("--folder", type=Path, help="keep captures here, and use those here")
    made.add_argument("--list", action="store_true", help="say what each job is, and end")
    return made


def main(arguments: Sequence[str]) -> int:
    """Score; return the exit status."""
    made = parser()
    given = made.parse_args(arguments)
    entries = [entry for entry in GALLERY if any(part in entry.name for part in given.only)]
    if not entries:
        made.error(f"no job has {' or '.join(given.only)} in its name")
    if given.list:
        for entry in entries:
            print(f"{entry.name}: {entry.words} -> {' or '.join(entry.codes) or 'nothing'}")
        return 0
    with tempfile.TemporaryDirectory(prefix="scored-") as name:
        os.environ["IDLEHANDS_DIR"] = name  # no other process is there to be found
        folder = given.folder or Path(name) / "captures"
        folder.mkdir(parents=True, exist_ok=True)
        print(head(), flush=True)
        done = []
        for score in scores(entries, folder, given):
            print(row(score), flush=True)
            done.append(score)
    print("", *summary(done), sep="\n")
    if given.table:
        given.table.write_text(table(done), encoding="utf-8")
    return 0 if holds(done) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
