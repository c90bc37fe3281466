"""The demonstration's command line, run as the program it is."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from idlehands_demo.__main__ import SCENARIOS, duration, listing, main
from idlehands_demo.faults import FAULTS
from idlehands_demo.plan import Plan
from idlehands_demo.scenarios import Outcome
from idlehands_demo.switches import Switches
from idlehands_demo.tide import run_tide_archive

ROOT = Path(__file__).resolve().parents[2]


def environment(**extra):
    path = os.pathsep.join(str(ROOT / part) for part in ("probes", "demo"))
    return {**os.environ, "PYTHONPATH": path, **extra}


def run(*arguments, **extra):
    return subprocess.run(
        [sys.executable, "-m", "idlehands_demo", *arguments],
        env=environment(**extra),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.fixture
def handlers():
    kept = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    yield
    for number, handler in kept.items():
        signal.signal(number, handler)


def catches(pid, number):
    """Whether the process has a handler for the signal, from the kernel's own record."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("SigCgt:"):
            return bool(int(line.split()[1], 16) >> (number - 1) & 1)
    return False


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_the_program_cleanly(wait_until, number):
    program = subprocess.Popen(
        [sys.executable, "-m", "idlehands_demo", "--workers", "4"],
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        # Both handlers are in place once SIGTERM's is: Python itself catches SIGINT.
        wait_until(lambda: catches(program.pid, signal.SIGTERM))
        program.send_signal(number)
        output, errors = program.communicate(timeout=15)
    finally:
        program.kill()
        program.wait()
    assert program.returncode == 0
    assert len(output.splitlines()) == 1
    assert errors == ""


def test_a_timed_run_reports_its_own_consistent_counts(tmp_path):
    report = tmp_path / "report.json"
    done = run("tide-archive", "--workers", "3", "--for", "500ms", "--report", str(report))
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("tide-archive (invented data): ")
    counts = json.loads(report.read_text())
    assert counts["spawned"] == counts["tasks_finished"] > 0
    assert (counts["totals_ok"], counts["misuses"], counts["fault"]) == (True, 0, None)
    for thief in range(3):
        for victim in range(3):
            ends = sum(counts[name][thief][victim] for name in ("steals", "empties", "lost_races"))
            assert counts["attempts"][thief][victim] == ends


def test_the_program_runs_with_its_probe_switched_off():
    done = run("--for", "300ms", "--fault", "single-station", IDLEHANDS="off")
    assert (done.returncode, done.stderr) == (0, "")


def test_a_timed_run_ends_within_half_a_second_of_its_deadline():
    started = time.monotonic()
    run("--list")
    start_up = time.monotonic() - started
    started = time.monotonic()
    assert run("--for", "1s", "--fault", "slow-tapes").returncode == 0
    # Twice the start of the interpreter, and the archive's making, on a noisy machine.
    assert time.monotonic() - started < 1.0 + 0.5 + 2 * start_up + 1.0


@pytest.mark.parametrize(
    "arguments",
    [
        ["--for", "soon"],
        ["--for", "0"],
        ["--for", "-3s"],
        ["--workers", "0"],
        ["--workers", "many"],
        ["--seed", "x"],
        ["--fault", "rust"],
        ["moon-archive"],
        ["--report", "/no/such/directory/report.json"],
        ["--no-such-option"],
        ["--pool", "swimming"],
        ["--pool", "threads", "--fault", "early-park"],
        ["--pool", "processes", "--fault", "lock-wait"],
        ["--fault", "slow-hand-over"],
        ["twin-archives", "--pool", "threads"],
        ["--fault", "nested-wait", "--workers", "3"],
    ],
)
def test_bad_arguments_are_one_clear_line_and_status_2(capsys, arguments):
    with pytest.raises(SystemExit) as stopped:
        main(arguments)
    assert stopped.value.code == 2
    errors = capsys.readouterr().err
    assert len(errors.splitlines()) == 1
    assert errors.startswith("idlehands demo: ")


@pytest.mark.parametrize("pool", ["threads", "processes"])
def test_the_program_runs_in_a_stock_pool_with_its_own_probe(tmp_path, pool):
    report = tmp_path / "report.json"
    done = run("--pool", pool, "--workers", "2", "--for", "500ms", "--report", str(report))
    assert (done.returncode, done.stderr) == (0, "")
    counts = json.loads(report.read_text())
    assert (counts["pool"], counts["workers"], counts["totals_ok"]) == (pool, 2, True)
    assert counts["tasks_finished"] >= counts["station_days"] > 0


@pytest.mark.parametrize("fault", FAULTS.values(), ids=list(FAULTS))
def test_a_fault_of_the_scheduler_is_mended_in_the_pool_and_any_other_in_the_plan(fault):
    mended = fault.mended()
    assert mended.switches == Switches()
    if fault.switches == Switches():
        assert (mended.plan, mended.second_plan) == (Plan(), None)
    else:
        assert (mended.plan, mended.second_plan) == (fault.plan, fault.second_plan)
    assert mended.scenario == fault.scenario


def test_bad_arguments_leave_no_traceback_in_the_program():
    done = run("--fault", "rust")
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "early-park" in done.stderr


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("500ms", 0.5), ("20s", 20.0), ("5m", 300.0), ("1.5", 1.5), ("2h", 7200.0)],
)
def test_durations_have_units(text, seconds):
    assert duration(text) == pytest.approx(seconds)


def test_the_list_names_every_scenario_and_fault(capsys):
    assert main(["--list"]) == 0
    printed = capsys.readouterr().out
    assert printed == listing()
    lines = printed.splitlines()
    assert all(f"  {name} " in printed for name in [*SCENARIOS, *FAULTS])
    for fault in FAULTS.values():
        (line,) = (line for line in lines if line.startswith(f"  {fault.name} "))
        assert line.endswith(f" -> {fault.shows}")
        assert fault.mended_by


@pytest.mark.usefixtures("handlers")
def test_wrong_totals_are_status_1(monkeypatch, capsys):
    def wrong(settings, stop):
        stop.set()
        outcome = run_tide_archive(settings, stop)
        return Outcome(1, outcome.station_days, False, outcome.pools)

    monkeypatch.setitem(SCENARIOS, "tide-archive", ("", wrong))
    assert main([]) == 1
    assert "totals wrong" in capsys.readouterr().out


@pytest.mark.usefixtures("handlers")
def test_a_report_that_cannot_be_written_is_one_line_and_status_1(tmp_path, capsys):
    assert main(["--for", "100ms", "--report", str(tmp_path)]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_a_program_left_alone_ends_by_itself(wait_until, tmp_path):
    starter = (
        "import os, subprocess, sys, time\n"
        "program = subprocess.Popen([sys.executable, '-m', 'idlehands_demo', '--workers', '1',"
        " '--alone', '200ms'], stdout=subprocess.DEVNULL)\n"
        "while not os.listdir(os.environ['IDLEHANDS_DIR']):\n"
        "    time.sleep(0.01)\n"  # it has met its starter by then
        "print(program.pid)\n"
    )
    tmp_path.chmod(0o700)
    done = subprocess.run(
        [sys.executable, "-c", starter],
        env=environment(IDLEHANDS_DIR=str(tmp_path)),
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    pid = int(done.stdout)

    def is_gone():
        try:
            return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
        except FileNotFoundError:
            return True

    wait_until(is_gone)
