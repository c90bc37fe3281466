"""CPython's own tests of executors and queues, with the probe installed and without::

    .venv/bin/python tests/cpython_tests.py                # every interpreter that has its tests
    .venv/bin/python tests/cpython_tests.py --pools        # multiprocessing's of pools as well
    .venv/bin/python tests/cpython_tests.py 3.9 -m 'ThreadPool*'   # arguments go to its test runner

For each interpreter both runs go on at the same time; the outcomes of each test are compared. The
exit status is 1 where a test that passes without the probe does not pass with it. It takes some
minutes an interpreter, and so is not part of the test suite.
"""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from pythons import VERSIONS, find

ROOT = Path(__file__).resolve().parent.parent
TESTS = ("test_concurrent_futures", "test_queue")
METHODS = ("fork", "spawn", "forkserver")
POOLS = ("-m", "*TestPool*", *(f"test_multiprocessing_{method}" for method in METHODS))
"""Of multiprocessing's tests the classes that test pools, for each way to start a process."""

LONGEST_SECONDS = 1200
"""After so long a file of tests is taken to hang: its run ends with the stacks of all threads."""

OUTCOME = re.compile(r"^(test\w+) \(([\w.]+)\)")
WORDS = re.compile(r"(?:^|\.\.\. |\s)(ok|FAIL|ERROR|skipped .*|expected failure)\s*$")


def main(arguments: list[str]) -> int:
    """Compare under every interpreter that carries the tests; return the exit status."""
    chosen = [argument for argument in arguments if argument in VERSIONS] or list(VERSIONS)
    options = [argument for argument in arguments if argument not in (*VERSIONS, "--pools")]
    suites = [TESTS, POOLS] if "--pools" in arguments else [TESTS]
    status = 0
    for version in chosen:
        interpreter = find(version)
        if interpreter is None or not has_tests(interpreter):
            print(f"{version}: not on this machine, or without its tests")
            continue
        for suite in suites:
            status |= compare(version, interpreter, [*suite, *options])
    return status


def has_tests(interpreter: str) -> bool:
    """Say whether an interpreter carries the tests."""
    check = f"import importlib.util as u, sys; sys.exit(u.find_spec('test.{TESTS[0]}') is None)"
    ran = subprocess.run([interpreter, "-c", check], check=False, capture_output=True)
    return ran.returncode == 0


def compare(version: str, interpreter: str, tests: list[str]) -> int:
    """Run both ways; print the counts and what differs; return 1 where the probe breaks a test."""
    command = ["-m", "test", "-v", f"--timeout={LONGEST_SECONDS}", *tests]
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o700)
        msgpack = importlib.util.find_spec("msgpack")
        assert msgpack is not None
        assert msgpack.origin is not None
        copy_msgpack(Path(msgpack.origin).parent, Path(folder))
        runs = {
            "without": start([interpreter], command, folder, "without"),
            "with": start([interpreter, "-m", "idlehands", "run"], command, folder, "with"),
        }
        for run in runs.values():
            run.wait()
        found = {name: outcomes(said(folder, name)) for name in runs}
    for name, run in runs.items():
        counts: dict[str, int] = {}
        for outcome in found[name].values():
            counts[outcome] = counts.get(outcome, 0) + 1
        print(f"{version} {name} the probe: exit status {run.returncode}, {counts}")
    broken = [
        test
        for test, outcome in found["without"].items()
        if outcome == "ok" and found["with"].get(test) != "ok"
    ]
    for test in broken:
        print(f"  {test}: {found['with'].get(test, 'not run')} with the probe")
    worse = runs["without"].returncode == 0 and runs["with"].returncode != 0
    return int(bool(broken) or worse or not found["without"])


def copy_msgpack(package: Path, folder: Path) -> None:
    """Put the pure Python part of msgpack where any interpreter can import it."""
    (folder / "msgpack").mkdir()
    for file in package.glob("*.py"):
        (folder / "msgpack" / file.name).write_bytes(file.read_bytes())


def start(
    program: list[str], command: list[str], folder: str, name: str
) -> subprocess.Popen[bytes]:
    """Start the tests in a folder of their own, with a file for what they print.

    A pipe would fill up and hold one run back while the other is read.
    """
    room = os.path.join(folder, name)
    os.mkdir(room)
    paths = os.pathsep.join([str(ROOT / "probes"), folder])
    environment = {**os.environ, "IDLEHANDS_DIR": os.path.join(folder, "s"), "PYTHONPATH": paths}
    with open(f"{room}.txt", "wb") as output:
        return subprocess.Popen(
            [*program, *command],
            cwd=room,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
        )


def said(folder: str, name: str) -> str:
    """Return what a run has printed."""
    return Path(folder, f"{name}.txt").read_text("utf-8", "replace")


def outcomes(text: str) -> dict[str, str]:
    """Return what each test came to, by its name, from the verbose output of unittest."""
    found: dict[str, str] = {}
    current = ""
    for line in text.splitlines():
        begun = OUTCOME.match(line)
        if begun:
            current = f"{begun[2]}.{begun[1]}"
        word = WORDS.search(line)
        if current and word:
            found[current] = word[1].split()[0].rstrip(",")
            current = ""
    return found


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
