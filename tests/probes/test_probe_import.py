"""What the import costs a host, and that the package runs on every Python it promises."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import msgpack
import pytest

import idlehands
from pythons import VERSIONS, find

SOURCES = str(Path(idlehands.__file__).parent.parent)

LOADED = """
    import json, sysconfig
    library = sysconfig.get_path("stdlib")
    before = set(sys.modules)
    {code}
    new = set(sys.modules) - before
    # Compiled modules make entries of their own that come from no file.
    files = {{name: getattr(sys.modules[name], "__file__", None) for name in new}}
    foreign = {{
        name.partition(".")[0]
        for name, file in files.items()
        if file and (not file.startswith(library) or "site-packages" in file)
    }} - {{"idlehands"}}
    say(json.dumps([sorted(foreign), sorted(set(sys.modules) & {{
        "asyncio", "numpy", "idlehands_monitor", "logging", "socket", "msgpack"}})]))
"""

WHOLE = """
import importlib, io, os, pkgutil, sys, threading, time
import idlehands
for module in pkgutil.iter_modules(idlehands.__path__):
    importlib.import_module("idlehands." + module.name)
from idlehands._frames import Cursor
from idlehands.wire import Decoder

pool = idlehands.declare_pool("meadow", 2)
pool.expose_depths(lambda: (1, [0, 2]))
worker = pool.worker(0)
def work():
    worker.bind()
    worker.searching()
    worker.missed(1)
    worker.parked()
    worker.unparked(1, 5)
    for number in range(3000):
        worker.running(worker.spawned("sow", number))
        if number % 1000 == 0:
            worker.waiting()
            worker.resumed()
        worker.finished()
thread = threading.Thread(target=work)
thread.start()
thread.join()
pool.cancelled(pool.spawned("reap"))
try:
    worker.finished()
except idlehands.ProbeMisuse:
    pass
else:
    raise SystemExit("misuse was let through")
cursor = Cursor(pool)
decoder = Decoder()
frames = []
for data in [*cursor.names(), *cursor.frames()]:
    frames += decoder.feed(data)
counts = {}
for frame in frames:
    if frame["frame"] == "rows":
        counts[frame["table"]] = counts.get(frame["table"], 0) + frame["rows"]
assert counts == {"spawns": 3001, "tasks": 3001, "waits": 3, "gaps": 2}, counts
assert frames[0]["task_kinds"] == ["sow", "reap"], frames[0]
assert frames[-1]["frame"] == "levels" and frames[-1]["deques"] == [0, 2]
deadline = time.monotonic() + 30
while not {str(os.getpid()) + ".sock"} < set(os.listdir(os.environ["IDLEHANDS_DIR"])):
    assert time.monotonic() < deadline
print("done", *sys.version_info[:2])
"""


def loaded_by(start, code):
    target = start(LOADED.format(code=code))
    said = json.loads(target.says())
    target.ends()
    return said


def test_importing_the_probe_loads_nothing_but_the_standard_library(start):
    foreign, heavy = loaded_by(start, "import idlehands")
    assert foreign == []
    assert heavy == []


def test_a_probe_that_serves_loads_msgpack_and_nothing_else(start):
    foreign, heavy = loaded_by(start, 'idlehands.declare_pool("m", 1).worker(0).bind()')
    assert foreign == ["msgpack"]
    assert not {"asyncio", "numpy", "idlehands_monitor"} & set(heavy)


def test_the_public_names_are_all_there():
    assert all(hasattr(idlehands, name) for name in idlehands.__all__)


@pytest.mark.parametrize("version", VERSIONS)
def test_the_whole_probe_runs_without_a_warning_on_every_python_it_promises(
    version, tmp_path, folder
):
    python = find(version)
    if python is None:
        pytest.skip(f"no Python {version} on this machine")
    library = tmp_path / "library"
    library.mkdir()
    # Only msgpack, which falls back to plain Python where its compiled part does not fit.
    (library / "msgpack").symlink_to(Path(msgpack.__file__).parent)
    environment = {
        "PATH": os.environ.get("PATH", ""),
        "PYTHONPATH": os.pathsep.join((SOURCES, str(library))),
        "PYTHONDONTWRITEBYTECODE": "1",
        "IDLEHANDS_DIR": str(folder),
    }
    result = subprocess.run(
        [python, "-W", "error", "-c", WHOLE],
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert result.stderr == ""
    assert result.stdout.split() == ["done", *version.split(".")]
    assert list(folder.iterdir()) == []
