"""`idlehands run`: a job behaves, prints, fails and ends as it does under Python itself."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import idlehands

SOURCES = str(Path(idlehands.__file__).parent.parent)


@pytest.fixture
def both(tmp_path, folder):
    """Run arguments with Python and with `idlehands run`; return both outcomes."""

    def run(*arguments: str, stop: bool = False):
        environment = {**os.environ, "IDLEHANDS_DIR": str(folder), "PYTHONPATH": SOURCES}
        ended = []
        for more in ([], ["-m", "idlehands", "run"]):
            process = subprocess.Popen(
                [sys.executable, *more, *arguments],
                cwd=tmp_path,
                env=environment,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            if stop:
                assert process.stdout is not None
                assert process.stdout.readline() == "ready\n"
                process.send_signal(signal.SIGINT)
            out, errors = process.communicate(timeout=60)
            ended.append((process.returncode, out, errors))
        return ended

    return run


JOBS = {
    "prints_itself": "import sys; print(__name__, __file__, sys.argv, sys.path[0])",
    "raises": "def inner():\n    raise LookupError('lost')\ninner()",
    "raises_a_chain": "try:\n    1/0\nexcept Exception as e:\n    raise KeyError(1) from e",
    "exits": "import sys\nsys.exit(7)",
    "exits_with_a_word": "import sys\nsys.exit('no more')",
    "is_no_python": "this is no python at all",
    "is_badly_indented": "if True:\nprint(1)",
    "is_cut_off": "print((1,\n",
    "runs_atexit": "import atexit\natexit.register(print, 'last')\nraise ValueError('first')",
    "shows_by_its_own_hook": (
        "import sys, traceback\n"
        "sys.excepthook = lambda kind, error, trace: print(len(traceback.extract_tb(trace)))\n"
        "raise OSError('shown')"
    ),
    "fails_in_a_pool": (
        "from concurrent.futures import ThreadPoolExecutor\n"
        "def divide(n):\n    return 1 / n\n"
        "with ThreadPoolExecutor(2) as pool:\n"
        "    future = pool.submit(divide, 0)\nfuture.result()"
    ),
    "submits_too_late": (
        "from concurrent.futures import ThreadPoolExecutor\n"
        "pool = ThreadPoolExecutor(2)\npool.submit(int).result()\n"
        "pool.shutdown()\npool.submit(int)"
    ),
    "makes_a_pool_of_nobody": (
        "from concurrent.futures import ThreadPoolExecutor\nThreadPoolExecutor(0)"
    ),
    "waits_for_nothing": ("import queue\nqueue.Queue().get(timeout=0.01)"),
    "fails_in_a_process": (
        "from concurrent.futures import ProcessPoolExecutor\n"
        "def divide(n):\n    return 1 / n\n"
        "if __name__ == '__main__':\n"
        "    with ProcessPoolExecutor(1) as pool:\n"
        "        future = pool.submit(divide, 0)\n    future.result()"
    ),
    "fails_in_a_multiprocessing_pool": (
        "import multiprocessing\n"
        "def divide(n):\n    return 1 / n\n"
        "if __name__ == '__main__':\n"
        "    with multiprocessing.Pool(1) as pool:\n        pool.map(divide, [0])"
    ),
}


@pytest.mark.parametrize("name", JOBS)
def test_a_job_says_and_ends_with_what_it_does_under_python(name, both, tmp_path):
    (tmp_path / "job.py").write_text(JOBS[name])
    plain, probed = both("job.py", "one", "--two")
    assert probed == plain


def test_a_module_says_and_ends_with_what_it_does_under_python(both, tmp_path):
    package = tmp_path / "harbour"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "__main__.py").write_text(
        "import sys; print(__name__, sys.argv)\nraise SystemExit(3)"
    )
    (package / "crane.py").write_text("print(__name__, __package__, __spec__.name)\n1 / 0")
    for arguments in (
        ("-m", "harbour", "-x"),
        ("-m", "harbour.crane"),
        ("-m", "timeit", "-n1", "1"),
    ):
        plain, probed = both(*arguments)
        if arguments[1] != "timeit":
            assert probed == plain
        assert probed[0] == plain[0]


@pytest.mark.parametrize("arguments", [("gone.py",), ("-m", "gone"), ("-m", "json.gone")], ids=str)
def test_a_job_that_does_not_exist_ends_with_pythons_own_message_and_status(arguments, both):
    plain, probed = both(*arguments)
    assert probed[0] == plain[0] != 0
    assert probed[2].splitlines()[-1] == plain[2].splitlines()[-1]
    assert "Traceback" not in probed[2]


def test_a_file_that_is_not_python_ends_with_pythons_own_message(both, tmp_path):
    (tmp_path / "picture.py").write_bytes(bytes(range(256)))
    plain, probed = both("picture.py")
    assert probed == plain


def test_a_folder_and_an_archive_with_a_main_run_as_under_python(both, tmp_path):
    (tmp_path / "folder").mkdir()
    source = "import sys; print(__name__, sys.argv, sys.path[0])"
    (tmp_path / "folder" / "__main__.py").write_text(source)
    with zipfile.ZipFile(tmp_path / "archive.pyz", "w") as archive:
        archive.writestr("__main__.py", source)
    for path in ("folder", "archive.pyz"):
        plain, probed = both(path, "one")
        assert probed == plain


def test_ctrl_c_ends_a_job_as_it_ends_one_under_python(both, tmp_path):
    (tmp_path / "job.py").write_text(
        "import signal, time\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)  # it may have been ignored\n"
        "print('ready', flush=True)\n"
        "while True:\n"  # Python 3.14 may miss a signal that comes as a sleep begins
        "    time.sleep(0.01)"
    )
    plain, probed = both("job.py", stop=True)
    assert probed[0] == plain[0] == -signal.SIGINT
    assert probed[2].splitlines()[-1] == plain[2].splitlines()[-1] == "KeyboardInterrupt"
    assert "idlehands" not in probed[2]


@pytest.mark.parametrize("arguments", [[], ["-m"], ["--fast", "job.py"]], ids=str)
def test_a_wrong_use_is_one_line_and_the_usage(arguments, folder):
    ended = subprocess.run(
        [sys.executable, "-m", "idlehands", "run", *arguments],
        env={**os.environ, "PYTHONPATH": SOURCES, "IDLEHANDS_DIR": str(folder)},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert ended.returncode == 2
    assert "usage: idlehands run" in ended.stderr
    assert "Traceback" not in ended.stderr
