"""The command line as people meet it: bad input gets one clear line and a status."""

from __future__ import annotations

import json
import os
import pty
import stat
import subprocess
import sys
import time

import pytest

from helpers import environment, idlehands, wait_until
from histories import History, Task, frames
from idlehands.wire import encode
from idlehands_monitor.cli import main
from idlehands_monitor.ingest.capture import MAGIC, VERSION, CaptureWriter

POOL = """
import sys, threading, time
import idlehands
probe = idlehands.declare_pool(sys.argv[1], workers=1)
worker = probe.worker(0)
worker.bind()
while True:
    worker.running(worker.spawned("tick"))
    time.sleep(0.002)
    worker.finished()
"""


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "sockets"
    path.mkdir(mode=0o700)
    return path


def write_history(path):
    """Write a small capture."""
    history = History(2, 100)
    history.tasks = [Task(0, 0, 0, 10, 50), Task(1, 1, 1, 20, 90)]
    writer = CaptureWriter(path)
    hello = {"frame": "hello", "version": 1, "pid": 7, "argv0": "berth.py"}
    for frame in (hello, *frames(history)):
        writer.add(1, encode(frame))
    writer.close()


@pytest.fixture
def pools(folder):
    """Start small pools by name; they end with the test."""
    started = []

    def start(*names):
        for name in names:
            started.append(
                subprocess.Popen([sys.executable, "-c", POOL, name], env=environment(folder))
            )
        wait_until(lambda: len(list(folder.glob("*.sock"))) == len(started), "their sockets")
        return [process.pid for process in started]

    yield start
    for process in started:
        process.kill()
        process.wait()


def one_line(done, status):
    """Check the status, and that stderr is one line without a traceback; return it."""
    assert done.returncode == status, done.stderr
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    assert "Traceback" not in done.stderr
    return lines[0]


@pytest.mark.parametrize(
    "arguments",
    [
        ("watch",),
        ("watch", "no-such-pool"),
        ("explain", "no-such-pool"),
        ("pools",),
        ("capture", "no-such-pool", "-o", "x.idlehands"),
        ("watch", "4194305"),
    ],
)
def test_nothing_to_watch_is_status_3_and_one_line(folder, arguments):
    one_line(idlehands(*arguments, folder=folder), 3)


def test_a_process_that_is_no_python_is_distinguished_from_no_process(folder):
    with subprocess.Popen(["/bin/sleep", "60"]) as other:
        line = one_line(idlehands("watch", other.pid, folder=folder), 3)
        other.kill()
    assert "not a Python process" in line
    assert "there is no process" in one_line(idlehands("watch", "4194305", folder=folder), 3)


@pytest.mark.parametrize("content", [b"", b"some text\n", MAGIC + b"\xff\0\0\0"])
@pytest.mark.parametrize("command", [("explain",), ("watch",), ("watch", "--no-screen")])
def test_a_file_that_is_no_capture_is_status_2_and_one_line(folder, tmp_path, content, command):
    path = tmp_path / "other.idlehands"
    path.write_bytes(content)
    line = one_line(idlehands(*command, path, folder=folder), 2)
    assert "other.idlehands" in line


def test_a_newer_capture_names_its_version(folder, tmp_path):
    path = tmp_path / "new.idlehands"
    path.write_bytes(MAGIC + (VERSION + 1).to_bytes(4, "little"))
    line = one_line(idlehands("explain", path, folder=folder), 2)
    assert f"version {VERSION + 1}" in line


def test_a_missing_capture_is_status_2(folder, tmp_path):
    assert "No such file" in one_line(
        idlehands("explain", tmp_path / "x.idlehands", folder=folder), 2
    )


def test_a_capture_with_no_pool_is_status_3(folder, tmp_path):
    path = tmp_path / "empty.idlehands"
    CaptureWriter(path).close()
    assert "no pool" in one_line(idlehands("explain", path, folder=folder), 3)


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("dance",),
        ("watch", "--speed", "0"),
        ("watch", "--window", "soon"),
        ("capture", "x"),
        ("explain", "x", "--json", "--html", "y"),
        ("explain", "x", "--json", "--markdown"),
        ("demo", "--for", "-3"),
    ],
)
def test_bad_arguments_are_status_2_without_a_traceback(folder, arguments):
    done = idlehands(*arguments, folder=folder)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "usage:" in done.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ("demo", "no-such-scenario"),
        ("demo", "--fault", "no-such-fault"),
        ("demo", "--workers", "0"),
    ],
)
def test_the_demo_refuses_what_it_does_not_know(folder, arguments):
    done = idlehands(*arguments, "--no-screen", folder=folder)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) <= 3


def test_pools_lists_what_is_there_as_text_and_json(folder, pools):
    pid, other = pools("left", "right")
    done = idlehands("pools", folder=folder)
    assert done.returncode == 0
    assert "left" in done.stdout
    assert "right" in done.stdout
    listed = json.loads(idlehands("pools", "--json", folder=folder).stdout)
    assert {process["pid"] for process in listed} == {pid, other}
    assert {process["pools"][0]["name"] for process in listed} == {"left", "right"}


def test_watch_without_a_target_takes_the_only_pool_and_asks_among_several(folder, pools):
    pools("left")
    done = idlehands("watch", "--no-screen", "--for", "2s", folder=folder)
    assert done.returncode == 0
    assert "left (1 worker)" in done.stdout
    pools("right")
    assert "name one" in one_line(idlehands("watch", "--no-screen", folder=folder), 2)


def test_capture_writes_for_a_time_and_explain_reads_it(folder, pools, tmp_path):
    pools("left")
    path = tmp_path / "left.idlehands"
    done = idlehands("capture", "left", "-o", path, "--for", "1s", folder=folder)
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
    assert "wrote" in done.stderr
    explained = idlehands("explain", path, folder=folder)
    assert "Pool left" in explained.stdout
    printed = idlehands("explain", path, "--markdown", folder=folder)
    assert printed.returncode == 0, printed.stderr
    assert "\n### Pool left\n" in printed.stdout
    assert "\n| category | time | share |" in printed.stdout
    report = tmp_path / "left.html"
    assert idlehands("explain", path, "--html", report, folder=folder).returncode == 0
    assert ">Pool left</h2>" in report.read_text()
    assert stat.S_IMODE(report.stat().st_mode) == 0o600
    assert "<title>idlehands:" in report.read_text()


@pytest.mark.parametrize(("command", "option"), [("explain", "--html"), ("capture", "-o")])
def test_no_command_writes_over_a_file_unless_told_to(tmp_path, capsys, command, option):
    capture, there, link = (tmp_path / f"{name}.idlehands" for name in ("a", "there", "link"))
    write_history(capture)
    there.touch()
    there.chmod(0o666)
    link.symlink_to(tmp_path / "letter")
    given = [command, str(capture), option]
    assert main([*given, str(there)]) == 2
    assert "--force replaces it" in capsys.readouterr().err
    assert there.stat().st_size == 0
    assert main([*given, str(there), "--force"]) == 0
    assert there.stat().st_size > 0
    assert there.stat().st_mode & 0o777 == 0o600
    for force in ([], ["--force"]):
        assert main([*given, str(link), *force]) == 2
        assert "not a regular file" in capsys.readouterr().err
    assert sorted(os.listdir(tmp_path)) == ["a.idlehands", "link.idlehands", "there.idlehands"]


def test_a_report_that_cannot_be_made_leaves_no_file(tmp_path, capsys):
    CaptureWriter(tmp_path / "a.idlehands").close()
    assert main(["explain", str(tmp_path / "a.idlehands"), "--html", str(tmp_path / "a.html")]) == 3
    assert "no pool" in capsys.readouterr().err
    assert os.listdir(tmp_path) == ["a.idlehands"]


def test_the_demonstration_does_not_write_its_capture_over_a_file(folder, tmp_path):
    path = tmp_path / "there.idlehands"
    path.touch()
    done = idlehands("demo", "--for", "1s", "--no-screen", "--capture", path, folder=folder)
    assert "--force replaces it" in one_line(done, 2)
    assert path.stat().st_size == 0


def test_capture_of_a_capture_leaves_out_a_torn_tail(folder, pools, tmp_path):
    pools("left")
    path, mended = tmp_path / "left.idlehands", tmp_path / "mended.idlehands"
    idlehands("capture", "left", "-o", path, "--for", "1s", folder=folder)
    path.write_bytes(path.read_bytes()[:-7])
    torn = idlehands("explain", path, folder=folder)
    assert torn.returncode == 0
    assert "cannot be read" in torn.stderr
    idlehands("capture", path, "-o", mended, folder=folder)
    whole = idlehands("explain", mended, folder=folder)
    assert whole.stderr == ""
    assert whole.stdout.count("Pool left") == 1


def test_explain_attaches_to_a_process_id(folder, pools):
    (pid,) = pools("left")
    done = idlehands("explain", pid, "--for", "1s", "--json", folder=folder)
    (pool,) = json.loads(done.stdout)["pools"]
    assert pool["tasks"]["finished"] > 50


def test_a_replay_in_lines_plays_to_the_end(folder, pools, tmp_path):
    pools("left")
    path = tmp_path / "left.idlehands"
    idlehands("capture", "left", "-o", path, "--for", "2s", folder=folder)
    done = idlehands("watch", path, "--no-screen", "--speed", "10", folder=folder)
    assert done.returncode == 0
    assert "at the end of the capture" in done.stdout


def test_without_a_terminal_lines_are_printed_and_the_reason_is_said(folder, pools):
    pools("left")
    done = idlehands("watch", "left", "--for", "2s", folder=folder)
    assert done.returncode == 0
    assert "no terminal" in done.stderr
    assert "live: left" in done.stdout
    assert "\x1b" not in done.stdout


def test_a_dumb_terminal_never_gets_the_screen(folder, pools):
    pools("left")
    here, there = pty.openpty()
    done = subprocess.run(
        [sys.executable, "-m", "idlehands", "watch", "left", "--for", "2s"],
        env=environment(folder, TERM="dumb"),
        stdin=there,
        stdout=there,
        stderr=subprocess.PIPE,
        timeout=60,
        check=False,
    )
    os.close(there)
    written = os.read(here, 65536)
    os.close(here)
    assert done.returncode == 0
    assert b"\x1b" not in written
    assert b"live: left" in written


def test_help_lists_every_command_run_among_them(folder):
    said = idlehands("--help", folder=folder).stdout
    for command in ("demo", "run", "watch", "pools", "capture", "explain"):
        assert f"\n    {command} " in said


def test_where_no_pool_is_probed_the_command_says_what_works_without_a_probe(folder):
    done = idlehands("pools", folder=folder)
    assert (done.returncode, done.stdout) == (3, "")
    assert "no probed pool is running here" in done.stderr
    assert "idlehands watch PID samples a process that has no probe" in done.stderr


def test_help_and_version_answer(folder):
    done = idlehands("--help", folder=folder)
    assert done.returncode == 0
    for command in ("demo", "watch", "pools", "capture", "explain"):
        assert command in done.stdout
    assert idlehands("--version", folder=folder).stdout.startswith("idlehands ")


def test_without_the_extra_the_command_says_what_to_install(folder, tmp_path):
    # An interpreter that sees the probe and msgpack, and none of the monitor's libraries.
    program = (
        "import sys, importlib.util as u\n"
        "real = u.find_spec\n"
        "u.find_spec = lambda name, *a: None if name == 'textual' else real(name, *a)\n"
        "from idlehands.__main__ import main\n"
        "sys.exit(main(['demo']))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        env=environment(folder),
        capture_output=True,
        text=True,
        check=False,
    )
    line = one_line(done, 2)
    assert "idlehands[monitor]" in line


def test_a_reader_that_closes_the_pipe_early_is_no_error(folder, pools):
    pools("left")
    with subprocess.Popen(
        [sys.executable, "-m", "idlehands", "watch", "left", "--no-screen"],
        env=environment(folder),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        process.stdout.readline()
        process.stdout.close()
        process.wait(20)
        assert process.stderr.read() == ""
        assert process.returncode == 0


def test_a_pipe_or_a_device_is_no_capture_and_is_not_waited_for(folder, tmp_path):
    pipe = tmp_path / "pipe.idlehands"
    os.mkfifo(pipe)
    for path in (pipe, "/dev/null", tmp_path / ""):
        assert "not an idlehands capture" in one_line(idlehands("explain", path, folder=folder), 2)
    done = idlehands("capture", pipe, "-o", tmp_path / "x.idlehands", folder=folder)
    assert "not a regular file" in one_line(done, 2)


def test_a_capture_is_never_copied_over_itself(folder, tmp_path):
    path = tmp_path / "a.idlehands"
    writer = CaptureWriter(path)
    writer.add(1, encode({"frame": "hello", "version": 1}))
    writer.close()
    before = path.read_bytes()
    (tmp_path / "link.idlehands").symlink_to(path)
    for target in (path, tmp_path / "link.idlehands"):
        done = idlehands("capture", path, "-o", target, folder=folder)
        assert "is the capture itself" in one_line(done, 2)
    assert path.read_bytes() == before


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full here")
def test_output_that_cannot_be_written_is_one_line(folder, pools):
    (pid,) = pools("left")
    with open("/dev/full", "w", encoding="utf-8") as full:
        done = subprocess.run(
            [sys.executable, "-m", "idlehands", "explain", str(pid), "--for", "500ms"],
            env=environment(folder),
            stdin=subprocess.DEVNULL,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
            check=False,
        )
    assert "No space left" in one_line(done, 2)


@pytest.mark.parametrize("odd", ["x", None, -7, 2**70])
def test_odd_values_in_a_capture_cost_no_traceback(folder, tmp_path, odd):
    path = tmp_path / "odd.idlehands"
    history = History(2, 100)
    history.tasks = [Task(0, 0, 0, 50, 10), Task(1, 2**61, 0, -5, 2**62), Task(2, 0, 1, 0, 100)]
    history.idle_intervals = [(1, 90, 10, True, -1), (0, -(2**61), 2**61, True, 2**62)]
    hello = {
        "frame": "hello",
        "version": 1,
        "pid": odd if odd != 2**70 else 2**63,
        "argv0": odd if odd != 2**70 else "\x1b[2J",
    }
    writer = CaptureWriter(path)
    for frame in (hello, *frames(history)):
        writer.add(1, encode(frame))
    writer.close()
    for form in ([], ["--json"]):
        done = idlehands("explain", path, *form, folder=folder)
        assert done.returncode == 0, done.stderr
        assert all(": left out, " in line for line in done.stderr.splitlines())
        assert "\x1b" not in done.stdout


@pytest.mark.extra
@pytest.mark.long
def test_the_seconds_asked_for_are_the_window_however_much_the_rings_hold(folder, pools, tmp_path):
    (pid,) = pools("buoy")
    time.sleep(3.0)  # so that the rings hold more than is asked for
    file = tmp_path / "a.idlehands"
    assert idlehands("capture", pid, "-o", file, "--for", "1s", folder=folder).returncode == 0
    for target, options in ((file, ()), (pid, ("--for", "1s"))):
        done = idlehands("explain", target, "--json", *options, folder=folder)
        (pool,) = json.loads(done.stdout)["pools"]
        assert 0.3 < pool["window_s"] <= 1.0 + 1e-9
