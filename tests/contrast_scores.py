"""Scores `idlehands contrast`: how often it names a fault, and how often it names nothing's.

    .venv/bin/python tests/contrast_scores.py --folder F            # all jobs, 4 seeds each
    .venv/bin/python tests/contrast_scores.py --folder F --only tide # jobs with this in the name
    .venv/bin/python tests/contrast_scores.py --folder F --there     # only what is captured there

Healthy jobs of `scored/gallery.py`: every pair of seeds is compared, and no difference may be worth
naming. Pairs of which a run was disturbed (it says that other processes took the cores, or the
comparison says that the machine was not equally busy) are counted apart. Faults of the
demonstration: each is compared with the healthy demonstration in the same pool; the comparison must
say a difference, and its finding is expected among what is new. Captures are kept in the folder and
made where they are not there, as `score_findings.py` makes them. The exit status is 1 where too few
comparisons are right.

Nothing else should run on the machine: what takes cores from a run is a difference.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

if __name__ == "__main__":
    sys.path[1:1] = [str(Path(__file__).resolve().parent)]

from idlehands_monitor.analysis.contrast.circumstances import is_of_the_machine
from idlehands_monitor.analysis.contrast.contrasting import contrast
from idlehands_monitor.analysis.contrast.runs import Run
from idlehands_monitor.model.contrast import ContrastReading, Presence
from idlehands_monitor.model.errors import CommandError
from idlehands_monitor.model.vocabulary import FindingCode
from idlehands_monitor.session.contrast import read_run
from idlehands_monitor.views.sections.contrast_headline import headline
from scored.gallery import DEMONSTRATION, GALLERY, Entry
from tried.bench import JobFailed, recorded_output

LEAST_HEALTHY = 0.95
"""The share of healthy pairs without a difference worth naming."""


@dataclass(frozen=True)
class Bench:
    """Makes captures, where they are not there, and reads each once."""

    folder: Path
    seconds: float | None
    only_there: bool
    cache: dict[Path, Run]

    def runs(self, entry: Entry, seeds: int) -> list[Run]:
        """Return the runs of a job, one a seed."""
        found = []
        for seed in range(1, seeds + 1):
            path = self.folder / entry.kept_as(seed, self.seconds)
            try:
                if not path.exists() and not self.only_there:
                    draft = path.with_suffix(".part")
                    command = entry.command(seed, self.seconds)
                    recorded_output(f"{entry.name}, seed {seed}", command, draft)
                    draft.rename(path)
                if path.exists():
                    if path not in self.cache:
                        self.cache[path] = read_run(str(path), lambda *_: None)
                    found.append(self.cache[path])
            except (CommandError, JobFailed) as error:
                print(f"{entry.name}, seed {seed}: {error}", file=sys.stderr)
        return found


def healthy_of(entry: Entry) -> Entry | None:
    """Return the healthy demonstration in the pool of a fault."""
    pool = entry.arguments[entry.arguments.index("--pool") :] if "--pool" in entry.arguments else ()
    scenario = entry.arguments[0] if not entry.arguments[0].startswith("-") else "tide-archive"
    wanted = (scenario, *pool)
    known = (one for one in GALLERY if one.gallery == DEMONSTRATION and one.is_healthy)
    return next((one for one in known if one.arguments == wanted), None)


def new_codes(found: ContrastReading) -> set[str]:
    """Return the findings that are new."""
    return {
        str(one.code)
        for pool in found.pools
        for one in pool.findings
        if one.presence is Presence.NEW
    }


def is_disturbed(found: ContrastReading) -> bool:
    """Return whether the machine did something else during one of the runs."""
    codes = {one.code for pool in found.pools for one in pool.findings}
    return FindingCode.CORES_BUSY_ELSEWHERE in codes or any(map(is_of_the_machine, found.notes))


def healthy(entries: list[Entry], bench: Bench, seeds: int) -> Iterator[tuple[bool, bool]]:
    """Yield for each pair of runs of a healthy job whether nothing was named, and whether one of
    them was disturbed."""
    for entry in entries:
        runs = bench.runs(entry, seeds)
        found = [contrast([one], [other]) for one, other in combinations(runs, 2)]
        quiet = sum(not one.has_difference for one in found)
        print(f"{entry.name}: {quiet} of {len(found)} pairs quiet", flush=True)
        for one in found:
            if one.has_difference:
                why = "disturbed: " if is_disturbed(one) else ""
                print(f"    {why}{headline(one)}", flush=True)
        yield from ((not one.has_difference, is_disturbed(one)) for one in found)
        if len(runs) >= 4:  # two captures a side
            both = contrast(runs[::2], runs[1::2])
            print(f"    two a side: {headline(both)}", flush=True)


def faults(entries: list[Entry], bench: Bench) -> Iterator[tuple[bool, bool]]:
    """Yield for each fault whether a difference was named, and whether its finding is new."""
    for entry in entries:
        sound = healthy_of(entry)
        if sound is None:
            continue
        before, after = bench.runs(sound, 1), bench.runs(entry, 1)
        if not before or not after:
            continue
        found = contrast(before, after)
        is_new = bool(new_codes(found) & set(entry.codes))
        said = "named" if found.has_difference else "NOT NAMED"
        print(f"{entry.name}: {said}, finding {'new' if is_new else 'not new'}", flush=True)
        print(f"    {headline(found)}", flush=True)
        yield found.has_difference, is_new


def main(arguments: list[str]) -> int:
    """Score; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--folder", type=Path, required=True, help="where captures are kept")
    parser.add_argument("--only", nargs="+", default=[""], help="jobs with this in the name")
    parser.add_argument("--seeds", type=int, default=4, help="runs of each healthy job")
    parser.add_argument("--seconds", type=float, help="about how long each run takes")
    parser.add_argument("--there", action="store_true", help="make no capture")
    given = parser.parse_args(arguments)
    given.folder.mkdir(parents=True, exist_ok=True)
    entries = [entry for entry in GALLERY if any(part in entry.name for part in given.only)]
    with tempfile.TemporaryDirectory(prefix="contrast-") as sockets:
        os.environ["IDLEHANDS_DIR"] = sockets  # no other process is there to be found
        bench = Bench(given.folder, given.seconds, given.there, {})
        sound = [entry for entry in entries if entry.is_healthy]
        pairs = list(healthy(sound, bench, given.seeds))
        ill = [one for one in entries if one.gallery == DEMONSTRATION and not one.is_healthy]
        named = list(faults(ill, bench))
    disturbed = [is_quiet for is_quiet, was_disturbed in pairs if was_disturbed]
    quiet = [is_quiet for is_quiet, was_disturbed in pairs if not was_disturbed]
    print(f"healthy pairs without a difference: {sum(quiet)} of {len(quiet)}")
    print(f"disturbed pairs without a difference: {sum(disturbed)} of {len(disturbed)}")
    print(f"faults with a difference: {sum(one for one, _ in named)} of {len(named)}")
    print(f"faults whose finding is new: {sum(one for _, one in named)} of {len(named)}")
    enough = not quiet or sum(quiet) >= LEAST_HEALTHY * len(quiet)
    return 0 if enough and all(one for one, _ in named) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
