"""Which promises the demonstration keeps, as it is and with each of its switches: a table.

Every run is read as `explain` reads a capture; the analysis knows nothing of the switches. It exits
with 1 if an unmodified run breaks a promise, or if a switch does not break exactly its own.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support import arguments, machine

from helpers import environment

PROMISES = {
    ("tide-archive", ""): "",
    ("tide-archive", "early-park"): "parks-when-empty",
    ("tide-archive", "owners-take-oldest"): "owners-take-newest",
    ("tide-archive", "thieves-take-newest"): "thieves-take-oldest",
    ("tide-archive", "fixed-victims"): "victims-chosen-evenly parks-when-empty",
    ("tide-archive", "nearest-neighbour"): "victims-chosen-evenly parks-when-empty",
    ("tide-archive", "global-lock"): "ends-meet-near-empty",
    ("twin-archives", ""): "",
    ("twin-archives", "crossed-pools"): "stays-in-pool",
}
"""What each scenario of the demonstration breaks with each fault, the empty name being none.

A thief that tries one victim only parks beside the tasks in all other deques.
"""
NEVER_JUDGED = {"within-greedy-bound"}
"""Work keeps coming in, so there is no bound on the whole."""
SELDOM_JUDGED = {"twin-archives": {"thieves-take-oldest"}}
"""A pool of four workers whose deques are mostly short: in 20 s some 30 steals find two tasks or
more, and fewer than 30 give no verdict."""


def verdicts(scenario: str, fault: str, seed: int, seconds: float) -> dict[str, set[str]]:
    """Return the codes of the promises by the verdicts of one run, over its pools."""
    folder = Path(tempfile.mkdtemp(prefix="promises-"))
    sockets, file = folder / "sockets", folder / "run.idlehands"
    sockets.mkdir(mode=0o700)
    chosen = ["--fault", fault] if fault else []
    run: Any = {"env": environment(sockets), "capture_output": True, "text": True}
    command = [sys.executable, "-m", "idlehands"]
    demo = ["demo", scenario, "--seed", str(seed), "--for", f"{seconds}s", "--no-screen"]
    ran = subprocess.run([*command, *demo, *chosen, "--capture", str(file)], check=False, **run)
    read = subprocess.run([*command, "explain", str(file), "--json"], check=False, **run)
    if ran.returncode or read.returncode:
        (folder / "said.txt").write_text(ran.stdout + ran.stderr + read.stderr)
        raise SystemExit(f"a run of {scenario} {fault} could not be read; see {folder}")
    shutil.rmtree(folder)
    said = read.stdout
    found: dict[str, set[str]] = {"kept": set(), "broken": set(), "unknown": set()}
    for pool in json.loads(said)["pools"]:
        for promise in pool["promises"]:
            found[promise["verdict"]].add(promise["code"])
    return found


def _counted(runs: list[dict[str, set[str]]], verdict: str) -> str:
    counts = Counter(", ".join(sorted(run[verdict])) or "none" for run in runs)
    return "; ".join(f"{number} x {codes}" for codes, number in counts.items())


def main() -> int:
    """Run every fault with every seed and print what broke, how often."""
    parser = arguments(__doc__.splitlines()[0], rounds=20, seconds=20)
    parser.add_argument("--only", default="", help="only faults whose name has this in it")
    options = parser.parse_args()
    rounds, seconds = (2, 5) if options.quick else (options.rounds, options.seconds)
    print(machine())
    print(f"{rounds} runs of {seconds} s each")
    wrong = 0
    for (scenario, fault), promise in PROMISES.items():
        if options.only not in f"{scenario} {fault}":
            continue
        runs = [verdicts(scenario, fault, seed, seconds) for seed in range(rounds)]
        expected = set(promise.split())
        right = [run["broken"] == expected for run in runs]
        if not fault:  # as it is every promise is to be kept, not merely not broken
            unjudged = NEVER_JUDGED | SELDOM_JUDGED.get(scenario, set())
            right = [ok and run["unknown"] <= unjudged for ok, run in zip(right, runs)]
        wrong += rounds - sum(right)
        named = f"{scenario} {fault or 'as it is'}"
        told = "; ".join(f"{word}: {_counted(runs, word)}" for word in ("broken", "unknown"))
        print(f"{named:<34}{sum(right)} of {rounds} as expected; {told}", flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
