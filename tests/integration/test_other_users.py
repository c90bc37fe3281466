"""The commands beside other users' jobs: as root, as another user, with a probe out of reach."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from fake_probes import GONE, FakeProbe, bye, hello, names, saying
from helpers import environment, wait_until
from idlehands_monitor.cli import main
from idlehands_monitor.ingest.sources import asking, discovery
from idlehands_monitor.ingest.sources.discovery import descendants
from idlehands_monitor.ingest.sources.probed import has_probe

NOBODY = 65534
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can be another user")

JOB = """
import importlib, os, pkgutil, sys, time
import idlehands
for module in pkgutil.walk_packages(idlehands.__path__, "idlehands."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
if sys.argv[2] != "0":
    os.setgroups([]); os.setgid(int(sys.argv[2])); os.setuid(int(sys.argv[2]))
probe = idlehands.declare_pool(sys.argv[1], workers=1)
worker = probe.worker(0)
worker.bind()
while True:
    worker.running(worker.spawned("tick"))
    time.sleep(0.002)
    worker.finished()
"""
COMMAND_AS = """
import concurrent.futures.thread, importlib, os, pkgutil, sys
import idlehands, idlehands_monitor
for package in (idlehands, idlehands_monitor):
    for module in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
os.setgroups([]); os.setgid(int(sys.argv[1])); os.setuid(int(sys.argv[1]))
from idlehands_monitor.cli import main
sys.exit(main(sys.argv[2:]))
"""


@dataclass
class Done:
    """What a command left behind."""

    returncode: int
    stdout: str
    stderr: str


class Machine:
    """A temporary folder of all users, and jobs and commands that use it as theirs."""

    def __init__(self, folder, capsys):
        self.folder = folder
        self.jobs = []
        self.variables = environment(folder, TMPDIR=str(folder), XDG_RUNTIME_DIR="")
        del self.variables["IDLEHANDS_DIR"]
        self._capsys = capsys

    def start(self, name, user=0, **changes):
        """Start a job with one pool; return it when it can be attached to."""
        job = subprocess.Popen(
            [sys.executable, "-c", JOB, name, str(user)], env={**self.variables, **changes}
        )
        self.jobs.append(job)
        folder = Path(changes.get("IDLEHANDS_DIR", self.folder))
        wait_until(lambda: list(folder.rglob(f"{job.pid}.sock")), "its socket")
        return job

    def command(self, *arguments):
        """Run a command to its end in this process, which is soon done."""
        self._capsys.readouterr()
        status = main([*map(str, arguments)])
        return Done(status, *self._capsys.readouterr())

    def command_as(self, user, *arguments):
        """Run a command to its end as another user."""
        return subprocess.run(
            [sys.executable, "-c", COMMAND_AS, str(user), *map(str, arguments)],
            env=self.variables,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )


@pytest.fixture(autouse=True)
def patience(monkeypatch):
    """Wait longer for an answer than anybody would: this machine may be busy."""
    monkeypatch.setattr(asking, "ANSWER_SECONDS", 20.0)
    monkeypatch.setattr(asking, "ALL_ANSWERS_SECONDS", 30.0)


@pytest.fixture
def machine(monkeypatch, capsys):
    folder = Path(tempfile.mkdtemp())  # not under pytest's, which no other user may enter
    folder.chmod(0o1777)
    one = Machine(folder, capsys)
    monkeypatch.delenv("IDLEHANDS_DIR")
    monkeypatch.setenv("TMPDIR", str(folder))
    monkeypatch.setenv("XDG_RUNTIME_DIR", "")
    monkeypatch.setattr(discovery, "RUNTIME_FOLDERS", str(folder / "none"))
    yield one
    for job in one.jobs:
        job.kill()
        job.wait()
    shutil.rmtree(folder)


def one_line(done, status):
    assert done.returncode == status, (done.stdout, done.stderr)
    (line,) = done.stderr.strip().splitlines()
    return line


@as_root
def test_root_sees_and_reads_the_jobs_of_other_users(machine):
    job = machine.start("berth", NOBODY)
    listed = json.loads(machine.command("pools", "--json").stdout)
    assert [(one["pid"], one["owner"], one["note"]) for one in listed] == [(job.pid, NOBODY, "")]
    table = machine.command("pools").stdout
    assert table.splitlines()[0].startswith("user")
    assert "nobody" in table.splitlines()[1]
    done = machine.command("explain", job.pid, "--for", "200ms", "--json")
    assert done.returncode == 0, done.stderr
    (pool,) = json.loads(done.stdout)["pools"]
    assert (pool["name"], pool["tasks"]["finished"] > 0) == ("berth", True)


@as_root
@pytest.mark.long
def test_a_user_sees_only_his_own_jobs(machine):
    own, roots = machine.start("berth", NOBODY), machine.start("crane")
    listed = json.loads(machine.command_as(NOBODY, "pools", "--json").stdout)
    assert [one["pid"] for one in listed] == [own.pid]
    line = one_line(machine.command_as(NOBODY, "watch", roots.pid, "--for", "1s"), 3)
    assert f"process {roots.pid} has a probe" in line
    assert "its user or root" in line


def test_a_probe_in_a_folder_that_is_not_searched_is_reported(machine, tmp_path):
    job = machine.start("berth", IDLEHANDS_DIR=str(tmp_path / "elsewhere"))
    for command in ("watch", "explain"):
        line = one_line(machine.command(command, job.pid, "--for", "1s"), 3)
        assert f"process {job.pid} has a probe, whose socket is in no folder" in line
        assert "IDLEHANDS_DIR" in line


def test_the_parent_of_a_probed_process_out_of_reach_is_not_sampled_with_it(machine, tmp_path):
    program = (
        "import os, subprocess, sys\n"
        "os.environ['IDLEHANDS_DIR'] = sys.argv.pop(1)\n"
        "with subprocess.Popen([sys.executable, '-c', *sys.argv[1:]]) as child: child.wait()\n"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", program, str(tmp_path / "elsewhere"), JOB, "berth", "0"],
        env=machine.variables,
    )
    machine.jobs.append(parent)
    try:
        wait_until(lambda: any(map(has_probe, descendants(parent.pid))), "the child's probe")
        (child,) = descendants(parent.pid)
        line = one_line(machine.command("watch", parent.pid, "--for", "1s"), 3)
        assert f"process {child} has a probe" in line
    finally:
        for pid in descendants(parent.pid):
            os.kill(pid, signal.SIGKILL)


def test_a_stopped_process_is_reported_as_stopped_and_not_sampled(machine, monkeypatch):
    job = machine.start("berth")
    job.send_signal(signal.SIGSTOP)
    said = f"process {job.pid} has a probe that does not answer: the process is stopped"
    with monkeypatch.context() as impatient:
        impatient.setattr(asking, "ANSWER_SECONDS", 0.1)
        assert said in one_line(machine.command("watch", job.pid, "--for", "1s"), 3)
        assert said in one_line(machine.command("watch", "berth", "--for", "1s"), 3)
        assert said in one_line(machine.command("watch", "--for", "1s"), 3)
        done = machine.command("pools")
        assert done.returncode == 3
        assert "does not answer: the process is stopped" in done.stdout
    job.send_signal(signal.SIGCONT)
    done = machine.command("watch", job.pid, "--no-screen", "--for", "100ms")
    assert done.returncode == 0, done.stderr


def test_a_process_without_a_probe_has_none():
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as plain:
        assert not has_probe(plain.pid)
        plain.stdin.close()
    assert not has_probe(4_194_304)


@as_root
def test_a_probe_in_a_container_is_one_too(machine):
    """Inside, the process has another id, and its sockets are in another network's list."""
    unshare = shutil.which("unshare")
    flags = ["--pid", "--fork", "--net", "--mount-proc", "--kill-child"]
    if unshare is None or subprocess.run([unshare, *flags, "true"], check=False).returncode:
        pytest.skip("namespaces cannot be made here")
    command = [unshare, *flags, sys.executable, "-c", JOB, "berth", "0"]
    job = subprocess.Popen(command, env=machine.variables)
    machine.jobs.append(job)
    wait_until(lambda: any(map(has_probe, descendants(job.pid))), "the probe of the one inside")


# Whoever answers

NAMED = b"n"


def greeting_then(said):
    """Answer a call for names as a probe does, and a reader with what it is told."""

    def answer(connection):
        connection.sendall(hello(os.getpid()) + names("berth"))
        connection.settimeout(0.2)
        with contextlib.suppress(TimeoutError):
            if connection.recv(1) == NAMED:
                return
        connection.sendall(said)

    return answer


@pytest.fixture
def folder(tmp_path, monkeypatch):
    path = tmp_path / "sockets"
    path.mkdir(mode=0o700)
    monkeypatch.setenv("IDLEHANDS_DIR", str(path))
    return path


@pytest.fixture
def run(capsys):
    """Run a command to its end in this process."""

    def command(*arguments):
        status = main([*map(str, arguments)])
        return Done(status, *capsys.readouterr())

    return command


@pytest.mark.parametrize("target", [str(os.getpid()), "berth"], ids=["by id", "by name"])
def test_a_reader_that_is_turned_away_gets_the_reason_in_a_line(folder, run, target):
    refused = bye("8 readers are attached already")
    with closing(FakeProbe(folder / f"{os.getpid()}.sock", greeting_then(refused))):
        line = one_line(run("watch", target, "--no-screen", "--for", "1s"), 3)
    assert line.endswith(
        f"process {os.getpid()} refused the connection: 8 readers are attached already"
    )


def test_names_that_a_terminal_would_obey_are_cleaned_in_every_message(folder, run):
    hostile = "\x1b[2Jberth\n\x07"
    pid = os.getpid()
    greeting = hello(GONE, argv0=hostile) + names(hostile)
    with (
        closing(FakeProbe(folder / f"{pid}.sock", greeting_then(bye(hostile)))),
        closing(FakeProbe(folder / f"{GONE}.sock", saying(greeting))),
    ):
        for arguments in (("pools",), ("watch",), ("watch", "x"), ("explain", pid)):
            done = run(*arguments)
            said = done.stdout + done.stderr
            assert "berth" in said
            assert not set(said) & {"\x1b", "\x07"}
            assert len(done.stderr.splitlines()) <= 1


def test_a_folder_that_is_refused_is_named_where_nothing_is_found(folder, run):
    folder.chmod(0o755)
    for arguments in (("pools",), ("watch",), ("watch", "berth")):
        line = one_line(run(*arguments), 3)
        assert f"socket folder {folder} is open to other users" in line


@pytest.mark.parametrize("target", ["²", "9" * 5000, "٤٧١١", "1e3"])
@pytest.mark.usefixtures("folder")
def test_a_target_that_only_looks_like_a_number_is_a_name(run, target):
    assert "no pool named" in one_line(run("watch", target), 3)
