"""Kinds of task have the name of the job's own callable, pools that of the job's own line.

Jobs run under `idlehands run` and print what the probe has recorded of them.
"""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
from plain_and_probed import SOURCES, probed

RECORDED = """
def recorded():
    from idlehands._process import _process
    _process.registry.tidy(False)
    return sorted((pool.name, sorted(pool.kinds)) for pool in _process.registry.pools)
"""
JOB = (
    """
import contextvars, functools, os, queue, sys, threading
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing.pool import ThreadPool

def moor(*arguments):
    return 1

def decorated(inner):
    @functools.wraps(inner)
    def around(*arguments):
        return inner(*arguments)
    return around

class Quay:
    def unload(self, *arguments):
        return 2
"""
    + RECORDED
)


def names_of(tmp_path, script: str) -> tuple[set[str], set[str]]:
    """Run a job; return the names of its pools and its kinds of task."""
    went = probed(tmp_path, JOB + script + "\nprint(recorded())\n")
    assert (went.status, went.errors) == (0, "")
    pools = eval(went.output.splitlines()[-1])  # noqa: S307 - what the job above prints
    return {name for name, _ in pools}, {kind for _, kinds in pools for kind in kinds}


CALLS = {
    "a partial in a context": "contextvars.copy_context().run, functools.partial(moor, 1)",
    "a context in a partial": "functools.partial(contextvars.copy_context().run, moor, 1)",
    "a decorated partial": "decorated(functools.partial(moor, 1))",
    "a context": "contextvars.copy_context().run, moor",
}
POOLS = {
    "an executor": "with ThreadPoolExecutor(1) as pool:\n    pool.submit(CALL).result()",
    "a pool of threads": """
with ThreadPool(1) as pool:
    function, *arguments = CALL,
    pool.apply(function, tuple(arguments))
""",
    "a queue of tuples": """
def serve():
    function, *arguments = tasks.get()
    function(*arguments)
    tasks.task_done()

tasks = queue.Queue()
thread = threading.Thread(target=serve)
thread.start()
tasks.put((CALL,))
thread.join()
""",
    "a queue filled before": """
def serve():
    function, *arguments = tasks.get()
    function(*arguments)
    tasks.task_done()

tasks = queue.Queue()
tasks.put((CALL,))
thread = threading.Thread(target=serve)
thread.start()
thread.join()
""",
}


@pytest.mark.parametrize("pool", POOLS)
@pytest.mark.parametrize("call", CALLS)
def test_a_wrapped_call_is_named_for_the_jobs_own_function(call, pool, tmp_path):
    _, kinds = names_of(tmp_path, POOLS[pool].replace("CALL", CALLS[call]))
    assert kinds == {"__main__.moor"}


def test_a_queue_of_functions_with_their_arguments_in_a_tuple_is_named_for_what_a_context_runs(
    tmp_path,
):
    script = """
def serve():
    function, arguments = tasks.get()
    function(*arguments)

tasks = queue.Queue()
thread = threading.Thread(target=serve)
thread.start()
tasks.put((contextvars.copy_context().run, (Quay().unload, 1)))
thread.join()
"""
    assert names_of(tmp_path, script)[1] == {"__main__.Quay.unload"}


def test_a_batch_of_joblib_is_named_for_the_decorated_function_inside(tmp_path):
    pytest.importorskip("joblib")
    script = """
import joblib

if __name__ == "__main__":
    for backend in ("threading", "loky"):
        call = joblib.delayed(joblib.Memory(None).cache(moor))
        joblib.Parallel(n_jobs=2, backend=backend)(call(n) for n in range(8))
"""
    assert names_of(tmp_path, script)[1] == {"__main__.moor"}


DASK = """
import dask

@dask.delayed
def shed(number):
    return number

@dask.delayed
def tower(*numbers, scale=1):
    return sum(numbers)

whole = tower(*[shed(number) for number in range(4)], scale=2)
assert whole.compute(scheduler="threads", num_workers=2) == 6
assert whole.compute(scheduler="threads") == 6
"""


def test_dasks_threads_are_one_pool_and_its_tasks_have_the_names_of_the_jobs_functions(tmp_path):
    pytest.importorskip("dask")
    pools, kinds = names_of(tmp_path, DASK)
    assert kinds == {"__main__.shed", "__main__.tower"}
    assert pools <= {"dask", "dask (2)"}, "the second is that with two workers"


def test_a_task_of_dask_that_is_made_of_several_has_the_name_of_the_jobs_function(tmp_path):
    pytest.importorskip("dask.bag")
    script = """
import dask.bag
bag = dask.bag.from_sequence(range(8), npartitions=4).map(moor)
assert sum(bag.compute(scheduler="threads")) == 8
"""
    _, kinds = names_of(tmp_path, script)
    assert "__main__.moor" in kinds
    assert {kind for kind in kinds if not kind.startswith("dask.")} == {"__main__.moor"}
    assert not any("batch_execute_tasks" in kind or "_task_spec._" in kind for kind in kinds)


def test_pebbles_threads_run_tasks_with_the_names_of_the_jobs_functions(tmp_path):
    pytest.importorskip("pebble")
    script = """
import pebble
with pebble.ThreadPool(max_workers=2) as pool:
    pool.schedule(moor, args=(1,)).result()
    list(pool.map(Quay().unload, range(4), chunksize=2).result())
"""
    went = probed(tmp_path, JOB + script + "\nprint(recorded())\n")
    [(pool, kinds)] = eval(went.output)  # noqa: S307 - what the job above prints
    assert kinds == ["__main__.Quay.unload", "__main__.moor"]
    assert pool.startswith("job.py:")


ANYIO = """
import anyio

async def main():
    barrier = threading.Barrier(3)
    def meet():
        barrier.wait(20)
    async with anyio.create_task_group() as group:
        for _ in range(3):
            group.start_soon(anyio.to_thread.run_sync, meet)
    await anyio.to_thread.run_sync(functools.partial(moor, 1))

for _ in range(2):
    anyio.run(main)
"""


def test_anyios_threads_are_one_pool_called_anyio_whose_tasks_have_the_names_of_the_jobs(tmp_path):
    pytest.importorskip("anyio")
    pools, kinds = names_of(tmp_path, ANYIO)
    assert pools == {"anyio"}
    assert kinds == {"__main__.main.<locals>.meet", "__main__.moor"}


def test_every_thread_of_anyio_is_a_worker_of_its_pool_and_the_pool_closes_with_the_last(tmp_path):
    pytest.importorskip("anyio")
    script = """
import gc, time
from idlehands._process import _process
[pool] = _process.registry.pools
deadline = time.monotonic() + 20
while pool.closed_ns < 0 and time.monotonic() < deadline:
    gc.collect()
    pool.refresh(at_once=True)
# Threads of the first loop may still be there when those of the second one begin.
print(pool.closed_ns >= 0, 3 <= len(pool.probes) <= 6)
print(sum(probe.tasks_run for probe in pool.probes))
"""
    went = probed(tmp_path, JOB + ANYIO + script)
    assert (went.output, went.errors) == ("True True\n8\n", "")


def line_of(script: str, words: str) -> int:
    """Return the number of the line of a job that has these words."""
    lines = (JOB + script).splitlines()
    return 1 + next(number for number, line in enumerate(lines) if words in line)


def package(tmp_path, name: str, source: str) -> str:
    """Install a made-up package; return the lines of a job that can import it."""
    folder = tmp_path / "site-packages" / name
    folder.mkdir(parents=True)
    (folder / "__init__.py").write_text("from concurrent.futures import ThreadPoolExecutor\n")
    (folder / "work.py").write_text(source)
    return f"sys.path.insert(0, {str(folder.parent)!r})\n"


MAKER = """\
import functools, threading
from concurrent.futures import ThreadPoolExecutor

def run_all(function):
    with ThreadPoolExecutor(1) as pool:
        pool.submit(function).result()

def in_a_thread(function):
    thread = threading.Thread(target=functools.partial(run_all, function))
    thread.start()
    thread.join()
"""


def test_a_pool_that_a_package_makes_is_called_by_the_jobs_line_that_called_the_package(tmp_path):
    script = package(tmp_path, "harbour", MAKER) + "import harbour.work\nharbour.work.run_all(moor)"
    place = f"job.py:{line_of(script, 'run_all(moor)')}"
    assert names_of(tmp_path, script)[0] == {place}


def test_a_pool_that_the_library_makes_for_the_job_is_called_by_the_jobs_line(tmp_path):
    script = """
import contextlib

with contextlib.ExitStack() as stack:
    pool = functools.reduce(lambda _, size: ThreadPoolExecutor(size), [1], None)
    stack.enter_context(pool).submit(moor).result()
"""
    assert names_of(tmp_path, script)[0] == {f"job.py:{line_of(script, 'reduce')}"}


def test_a_pool_made_in_a_packages_own_thread_is_called_by_the_packages_line(tmp_path):
    script = package(tmp_path, "harbour", MAKER)
    script += "import harbour.work\nharbour.work.in_a_thread(moor)"
    assert names_of(tmp_path, script)[0] == {"harbour/work.py:5"}


def test_a_pool_that_a_package_makes_as_it_is_imported_is_called_by_the_packages_line(tmp_path):
    script = package(tmp_path, "harbour", "from harbour import *\npool = ThreadPoolExecutor(1)\n")
    script += "import harbour.work\nharbour.work.pool.submit(moor).result()\n"
    assert names_of(tmp_path, script)[0] == {"harbour/work.py:2"}


def test_a_module_of_the_jobs_own_that_makes_a_pool_as_it_is_imported_is_the_place(tmp_path):
    (tmp_path / "quays.py").write_text(
        "from concurrent.futures import ThreadPoolExecutor\npool = ThreadPoolExecutor(1)\n"
    )
    script = "import quays\nquays.pool.submit(moor).result()\n"
    assert names_of(tmp_path, script)[0] == {"quays.py:2"}


@pytest.mark.parametrize("library", ["anyio", "dask", "gunicorn"])
def test_a_pool_that_a_server_makes_for_the_whole_program_is_called_by_the_server(
    library, tmp_path
):
    script = package(tmp_path, library, MAKER)
    script += f"import {library}.work\n{library}.work.run_all(moor)"
    assert names_of(tmp_path, script)[0] == {library}


def test_a_pool_of_the_jobs_own_under_a_server_is_called_by_the_jobs_line(tmp_path):
    script = package(tmp_path, "gunicorn", "def serve(application):\n    application()\n")
    script += """
import gunicorn.work

def application():
    with ThreadPoolExecutor(1) as pool:
        pool.submit(moor).result()

gunicorn.work.serve(application)
"""
    place = f"job.py:{line_of(script, 'with ThreadPoolExecutor')}"
    assert names_of(tmp_path, script)[0] == {place}


def test_the_command_of_an_installed_package_is_not_the_jobs_line(tmp_path):
    command = tmp_path / "bin" / "harbour"
    command.parent.mkdir()
    start = package(tmp_path, "harbour", MAKER)
    script = JOB + start + "import harbour.work\nharbour.work.run_all(moor)\nprint(recorded())\n"
    command.write_text(script)
    patched = (
        "import sys, sysconfig\n"
        "paths = sysconfig.get_path\n"
        f"sysconfig.get_path = lambda name: {str(command.parent)!r} if name == 'scripts' "
        "else paths(name)\n"
        f"sys.argv[:] = ['idlehands', 'run', {str(command)!r}]\n"
        "from idlehands.__main__ import main\n"
        "sys.exit(main())\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", patched],
        env={**os.environ, "IDLEHANDS_DIR": str(tmp_path / "sockets"), "PYTHONPATH": SOURCES},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert ended.stderr == ""
    assert ended.stdout == "[('harbour/work.py:5', ['__main__.moor'])]\n"


def test_a_pool_with_a_prefix_for_its_threads_is_called_by_the_prefix(tmp_path):
    script = """
import asyncio

with ThreadPoolExecutor(1, thread_name_prefix="pier") as pool:
    pool.submit(moor).result()

async def main():
    await asyncio.get_running_loop().run_in_executor(None, moor)

asyncio.run(main())
"""
    assert names_of(tmp_path, script)[0] == {"pier", "asyncio"}


SHORT_LIVED = {
    "executors": "with ThreadPoolExecutor(1) as pool: pool.submit(moor).result()",
    "process executors": "with ProcessPoolExecutor(1) as pool: pool.submit(moor).result()",
    # Joined: a pool that is only terminated may have threads for a moment longer, and a name.
    "pools of threads": "pool = ThreadPool(1); pool.apply(moor); pool.close(); pool.join()",
    "executors that nobody waits for": "ThreadPoolExecutor(1).submit(moor).result()",
    "queues": "feed(queue.Queue())",
    "loops": "asyncio.run(in_a_loop())",
}


@pytest.mark.parametrize("sort", SHORT_LIVED)
def test_short_lived_pools_of_one_line_have_one_name(sort, tmp_path):
    script = f"""
import asyncio, gc

async def in_a_loop():
    await asyncio.get_running_loop().run_in_executor(None, moor)

def feed(tasks):
    thread = threading.Thread(target=lambda: tasks.get()())
    thread.start()
    tasks.put(moor)
    thread.join()

if __name__ == "__main__":
    for _ in range(4):
        {SHORT_LIVED[sort]}
        pool = None
        gc.collect()
"""
    pools, kinds = names_of(tmp_path, script)
    assert len(pools) == 1
    assert "(" not in pools.pop()
    assert kinds == {"__main__.moor"}
