"""Tries advice: the gain that a headline predicts against the gain of the job that was mended.

    .venv/bin/python tests/advice_tried.py                     # all jobs with a mended variant
    .venv/bin/python tests/advice_tried.py --only tile_kiln    # jobs with this in the name
    .venv/bin/python tests/advice_tried.py --folder F --table T  # keep runs, make a file

Each job of `tests/jobs/causes` with an option `--mended` is captured once as it is. The gain of its
headline is compared with the gain that the job measures of itself when it is run mended, three
times; the median counts. Where a finding advises a number (of workers, of calls in a chunk), the
mended job is run with that number. The exit status is 1 where too few predictions are good.

Nothing else should run on the machine: a job that computes on both cores is slower then.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

if __name__ == "__main__":
    sys.path[1:1] = [str(Path(__file__).resolve().parent)]

from scored.advice import Advice, head, holds, row, settings_for, summary, table
from scored.gallery import CAUSES, FOREIGN_JOBS, Entry
from scored.reading import explain, headline
from tried.bench import Bench
from tried.lines import Line

MENDED = [entry for entry in FOREIGN_JOBS if entry.is_mended]


def tried(entries: Sequence[Entry], bench: Bench, runs: int, base: str) -> Iterator[Advice]:
    """Yield what each job comes to. base: options of all its runs."""
    for entry in entries:
        as_it_is = _line(entry, base, base)
        found = headline(explain(bench.capture(as_it_is)))
        settings = settings_for(entry, found)
        mended = bench.tried(_line(entry, base, f"{base} {settings}"), runs)
        yield Advice(entry, found, settings, bench.captured(as_it_is), mended)


def _line(entry: Entry, base: str, settings: str) -> Line:
    return Line(entry.name, entry.unit, base, entry.words, "", "", settings)


def main(arguments: Sequence[str]) -> int:
    """Try; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--only", nargs="+", default=[""], help="jobs with this in the name")
    parser.add_argument("--runs", type=int, default=3, help="runs of each mended job")
    parser.add_argument("--seed", type=int, default=1, help="of the invented data of all runs")
    parser.add_argument("--scale", type=float, default=1.0, help="the share of each job that runs")
    parser.add_argument("--table", type=Path, metavar="FILE", help="write the table as Markdown")
    parser.add_argument("--folder", type=Path, help="keep runs here, and use those here")
    given = parser.parse_args(arguments)
    entries = [entry for entry in MENDED if any(part in entry.name for part in given.only)]
    if not entries:
        parser.error(f"no job with a mended variant has {' or '.join(given.only)} in its name")
    base = f"--seed {given.seed} --scale {given.scale:g}"
    with tempfile.TemporaryDirectory(prefix="advice-") as name:
        os.environ["IDLEHANDS_DIR"] = name  # no other process is there to be found
        folder = given.folder or Path(name) / "runs"
        folder.mkdir(parents=True, exist_ok=True)
        print(head(), flush=True)
        done = []
        for advice in tried(entries, Bench(folder, CAUSES), given.runs, base):
            print(row(advice), flush=True)
            done.append(advice)
    print("", *summary(done), sep="\n")
    if given.table:
        given.table.write_text(table(done), encoding="utf-8")
    return 0 if holds(done) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
