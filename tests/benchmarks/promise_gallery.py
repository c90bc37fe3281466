"""Which promises the demonstration keeps, as it is and with each of its switches: a table.

Every run is read as `explain` reads a capture; the analysis knows nothing of the switches. It exits
with 1 if an unmodified run breaks a promise, or if a switch does not break exactly its own.
"""

from __future__ import annotations

import json
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
    "": "",
    "early-park": "parks-when-empty",
    "owners-take-oldest": "owners-take-newest",
    "thieves-take-newest": "thieves-take-oldest",
    "fixed-victims": "victims-chosen-evenly",
    "nearest-neighbour": "victims-chosen-evenly",
}
"""What each fault of the demonstration breaks; the first is none."""


def broken(fault: str, seed: int, seconds: float) -> tuple[str, ...]:
    """Return the codes of the promises that one run breaks."""
    with tempfile.TemporaryDirectory() as folder:
        sockets, file = Path(folder) / "sockets", Path(folder) / "run.idlehands"
        sockets.mkdir(mode=0o700)
        chosen = ["--fault", fault] if fault else []
        run: Any = {"env": environment(sockets), "stdout": subprocess.PIPE}
        command = [sys.executable, "-m", "idlehands"]
        demo = ["demo", "--seed", str(seed), "--for", f"{seconds}s", "--no-screen"]
        subprocess.run([*command, *demo, *chosen, "--capture", str(file)], check=True, **run)
        said = subprocess.run([*command, "explain", str(file), "--json"], check=True, **run).stdout
    (pool,) = json.loads(said)["pools"]
    return tuple(p["code"] for p in pool["promises"] if p["verdict"] == "broken")


def main() -> int:
    """Run every fault with every seed and print what broke, how often."""
    parser = arguments(__doc__.splitlines()[0], rounds=20, seconds=20)
    options = parser.parse_args()
    rounds, seconds = (2, 5) if options.quick else (options.rounds, options.seconds)
    print(machine())
    print(f"{rounds} runs of {seconds} s each")
    wrong = 0
    for fault, promise in PROMISES.items():
        runs = [broken(fault, seed, seconds) for seed in range(rounds)]
        expected = (promise,) if promise else ()
        right = sum(codes == expected for codes in runs)
        wrong += rounds - right
        counts = Counter(codes for codes in runs)
        told = "; ".join(f"{n} x {', '.join(codes) or 'none'}" for codes, n in counts.items())
        print(
            f"{fault or 'as it is':<22}{right} of {rounds} as expected; broken: {told}", flush=True
        )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
