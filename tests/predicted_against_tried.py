"""Makes the table of docs/whatif.md: changes as `idlehands whatif` predicts them, and as tried.

    .venv/bin/python tests/predicted_against_tried.py                      # all lines
    .venv/bin/python tests/predicted_against_tried.py --only thread_batch  # lines of one job
    .venv/bin/python tests/predicted_against_tried.py --folder F --table T # keep runs, make a file
    .venv/bin/python tests/predicted_against_tried.py --list               # say what there is

Each line: a job is captured once, the change is predicted from that capture alone, and then the job
is run with the change. Both kinds of run are probed and captured in the same way. The figures of a
run are the job's own, of `time.monotonic`; the median of the runs is compared. The lines are in
`tried/lines.py`, the jobs in `tried/jobs`. With `--folder` a second call runs nothing that is there
already, and predicts again. The exit status is 1 where the lines together miss their bounds.

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

from tried.bench import Bench, NotPredicted, Prediction, predict
from tried.lines import LINES, Line
from tried.table import Result, head, holds, row, summary, table

OWN_DIFFERENCE = 0.02
"""A recorded figure that is further from the job's own one is worth a message."""


def results(lines: Sequence[Line], bench: Bench, runs: int, seeds: int) -> Iterator[Result]:
    """Yield what each line comes to, predicted before it is tried."""
    for line in lines:
        capture = bench.capture(line)
        predicted, refused = _predicted(capture, line, seeds)
        if predicted is not None:
            own = bench.captured(line)
            if abs(predicted.recorded / own - 1) > OWN_DIFFERENCE:
                difference = f"recorded {predicted.recorded:.4g}, measured itself {own:.4g}"
                print(f"{line.name}: {difference}", file=sys.stderr)
        yield Result(line, predicted, bench.tried(line, runs), refused)


def _predicted(capture: Path, line: Line, seeds: int) -> tuple[Prediction | None, str]:
    try:
        return predict(capture, line, seeds), ""
    except NotPredicted as error:
        return None, f"no prediction: {error}"


def main(arguments: Sequence[str]) -> int:
    """Compare; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--only", nargs="+", default=[""], help="lines with this in the name")
    parser.add_argument("--runs", type=int, default=5, help="runs with each change")
    parser.add_argument("--seeds", type=int, default=32, help="simulated runs of a prediction")
    parser.add_argument("--table", type=Path, metavar="FILE", help="write the table as Markdown")
    parser.add_argument("--folder", type=Path, help="keep runs here, and use those here")
    parser.add_argument("--list", action="store_true", help="say what each line is, and end")
    given = parser.parse_args(arguments)
    lines = [line for line in LINES if any(part in line.name for part in given.only)]
    if not lines:
        parser.error(f"no line has {' or '.join(given.only)} in its name")
    if given.list:
        for line in lines:
            print(f"{line.name}: {line.base_words} -> {line.change_words}")
        return 0
    with tempfile.TemporaryDirectory(prefix="tried-") as name:
        os.environ["IDLEHANDS_DIR"] = name  # no other process is there to be found
        folder = given.folder or Path(name) / "runs"
        folder.mkdir(parents=True, exist_ok=True)
        print(head(), flush=True)
        done = []
        for result in results(lines, Bench(folder), given.runs, given.seeds):
            print(row(result), flush=True)
            done.append(result)
    print("", *summary(done), sep="\n")
    if given.table:
        given.table.write_text(table(done), encoding="utf-8")
    return 0 if holds(done) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
