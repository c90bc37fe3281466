"""The host's figures of processes: sampled, stored, read as rates, found, and written."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from readings import SECOND, reading, source

from helpers import wait_until
from histories import History, Task, frames, ledger, take_in
from idlehands.wire import encode
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.host.host import grown_between, host_readings, memory_growth
from idlehands_monitor.analysis.verdicts.host_findings import host_findings
from idlehands_monitor.ingest.capture import CaptureWriter
from idlehands_monitor.ingest.sources import processes
from idlehands_monitor.ingest.sources.replay import ReplaySource
from idlehands_monitor.ingest.sources.status import SourceStatus
from idlehands_monitor.ledger import Ledger, ProcessSample
from idlehands_monitor.ledger.host import MOST_IDS, MOST_SAMPLES
from idlehands_monitor.model.host import HostReading
from idlehands_monitor.model.worker_time import CATEGORIES, PoolTime, WorkerTime
from idlehands_monitor.model.workers import LifetimesReading
from idlehands_monitor.session.feed import Feed
from idlehands_monitor.views import html, text
from idlehands_monitor.views import json as json_view
from idlehands_monitor.views.terminal.header import who

MIB = 1 << 20
PID = 4711


def process_frame(at_s: float, pid: int = PID, **changes: object) -> dict[str, object]:
    """Return a process frame in which every counter grows evenly."""
    at_ns = int(at_s * SECOND)
    return {
        "frame": "process",
        "at_ns": at_ns,
        "pid": pid,
        "resident_bytes": 100 * MIB,
        "minor_faults": int(10 * at_s),
        "major_faults": int(at_s),
        "voluntary_switches": int(100 * at_s),
        "nonvoluntary_switches": int(20 * at_s),
        "io_wait_ns": at_ns // 10,
        "affinity": 2,
        "usable_cores": 1.5,
        "quota_cores": 1.5,
        "periods": int(10 * at_s),
        "throttled_periods": int(4 * at_s),
        "throttled_ns": at_ns // 4,
        **changes,
    }


def held(*frames: dict[str, object]) -> Ledger:
    found = Ledger()
    take_in(found, {"frame": "hello", "version": 1, "pid": PID})
    for frame in frames:
        take_in(found, frame)
    return found


def samples(*frames: dict[str, object]) -> list[ProcessSample]:
    return held(*frames).processes.processes[PID]


def host(**changes: object) -> HostReading:
    counters = held(process_frame(0), process_frame(10))
    return replace(host_readings(counters, 0, 10 * SECOND)[0], **changes)


# -- sampling ----------------------------------------------------------------------------------


def test_a_real_process_is_sampled_whole():
    frames, switches = processes.sample([os.getpid()])
    frame = frames[0]
    assert frame["pid"] == os.getpid()
    assert frame["resident_bytes"] > MIB
    assert frame["minor_faults"] > 0
    assert 0 < frame["usable_cores"] <= frame["affinity"]
    assert threading.get_native_id() in switches


def test_processes_that_are_gone_or_never_were_are_left_out():
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    frames, _ = processes.sample([gone.pid, -1, 2**40, os.getpid()])
    assert [frame["pid"] for frame in frames] == [os.getpid()]


def test_a_source_that_is_live_and_has_not_yet_said_who_it_is_has_a_reading():
    class JustAttached:
        target = "job"
        status = SourceStatus("live")

        def portions(self) -> list[list[dict[str, object]]]:
            return []

    feed = Feed(JustAttached(), None)
    feed.update()
    assert feed.reading().source.pid == -1


def test_switches_are_those_of_all_threads_and_not_of_the_main_one_alone():
    go, done = threading.Event(), threading.Event()

    def sleep_often() -> None:
        for _ in range(300):
            go.wait(0.0001)
        done.wait()

    thread = threading.Thread(target=sleep_often)
    thread.start()
    try:
        # Each of its waits ends in a switch of its own doing, or it would not have waited.
        wait_until(lambda: processes.sample([os.getpid()])[1][thread.native_id][0] >= 300)
        frames, switches = processes.sample([os.getpid()])
        assert frames[0]["voluntary_switches"] >= switches[thread.native_id][0] >= 300
    finally:
        done.set()
        thread.join()


def stat_line(**fields: int) -> str:
    """Return a line of /proc/PID/stat, fields by their number, the others 0."""
    values = [str(fields.get(f"field_{number}", 0)) for number in range(4, 53)]
    return f"7 (a) (b c) R {' '.join(values)}\n"


def thread_folder(folder: Path) -> Path:
    (folder / "status").write_text(
        "Name:\ta\nvoluntary_ctxt_switches:\t12\nnonvoluntary_ctxt_switches:\t3\n"
    )
    (folder / "stat").write_text(stat_line(field_10=31, field_12=5, field_42=250))
    return folder


def test_fields_of_stat_are_counted_from_behind_a_name_with_brackets_and_blanks(tmp_path):
    # Numbers of the fields: proc(5), /proc/pid/stat: minflt 10, majflt 12.
    assert processes.stat_fields(str(thread_folder(tmp_path)), 10, 12) == [31, 5]


def test_block_io_delay_is_read_in_ticks_and_returned_in_nanoseconds(tmp_path):
    # proc(5): delayacct_blkio_ticks is field 42, in clock ticks.
    found = processes.thread_switches(str(thread_folder(tmp_path)), counts_delay=True)
    assert found == [12, 3, 250 * SECOND // os.sysconf("SC_CLK_TCK")]


def test_block_io_delay_is_unknown_and_not_0_where_the_kernel_does_not_count_it(tmp_path):
    found = processes.thread_switches(str(thread_folder(tmp_path)), counts_delay=False)
    assert found == [12, 3, -1]


@pytest.mark.parametrize(("content", "on"), [("1\n", True), ("0\n", False), (None, False)])
def test_delays_are_counted_where_the_kernels_setting_says_so(content, on, tmp_path):
    setting = tmp_path / "proc/sys/kernel/task_delayacct"
    if content is not None:
        setting.parent.mkdir(parents=True)
        setting.write_text(content)
    assert processes.delays_are_counted(str(tmp_path)) is on


@pytest.mark.parametrize("many", [1, 64, 65, 300])
def test_every_process_has_its_turn_and_no_round_is_too_long(many):
    pids = list(range(many))
    rounds = -(-many // processes.MOST_PROCESSES)
    turns = [processes.in_turn(pids, turn) for turn in range(rounds)]
    assert sorted(pid for turn in turns for pid in turn) == pids
    assert max(map(len, turns)) <= processes.MOST_PROCESSES


# -- ledger ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "changes",
    [
        {"pid": "4711"},
        {"pid": None},
        {"at_ns": 1.5},
        {"at_ns": 2**64 - 1},
        {"usable_cores": float("nan")},
        {"quota_cores": float("inf")},
        {"minor_faults": [1]},
    ],
)
def test_a_bad_process_frame_is_skipped_and_counted(changes):
    counters = held(process_frame(1, **changes))
    assert counters.skipped_frames == 1
    assert counters.processes.processes == {}


@pytest.mark.parametrize(
    "changes",
    [
        {"threads": [1]},
        {"threads": {7: [1]}},
        {"threads": {7: [float("inf"), 0]}},
        {"switches": [1]},
        {"switches": {7: [1, 2]}},
        {"switches": {"x": [1, 2, 3]}},
    ],
)
def test_a_bad_host_frame_is_skipped_and_counted(changes):
    counters = held({"frame": "host", "at_ns": 1, "threads": {}, **changes})
    assert counters.skipped_frames == 1


def test_a_process_frame_without_some_figures_leaves_them_unknown():
    counters = held(*({"frame": "process", "pid": 1, "at_ns": at * SECOND} for at in (1, 2)))
    found = host_readings(counters, 0, 3 * SECOND)[0]
    assert counters.skipped_frames == 0
    assert found.minor_faults_per_s is None
    assert found.quota_cores is None
    assert found.throttled_share is None
    assert found.io_wait_s is None


def test_another_process_with_the_same_pid_starts_anew():
    found = samples(process_frame(1), process_frame(2), process_frame(3, minor_faults=1))
    assert [sample.at_ns for sample in found] == [3 * SECOND]


def test_samples_stay_bounded_and_keep_both_ends():
    found = samples(*(process_frame(at) for at in range(5 * MOST_SAMPLES)))
    assert len(found) <= MOST_SAMPLES
    assert found[0].at_ns == 0
    assert found[-1].at_ns == (5 * MOST_SAMPLES - 1) * SECOND


def test_of_too_many_processes_the_one_with_the_oldest_sample_is_dropped():
    counters = held(*(process_frame(1, pid) for pid in [*range(MOST_IDS), 0, MOST_IDS]))
    assert len(counters.processes.processes) == MOST_IDS
    assert 0 in counters.processes.processes
    assert 1 not in counters.processes.processes


def test_old_samples_are_forgotten_but_for_the_one_that_growth_is_counted_from():
    counters = held(*(process_frame(at) for at in range(0, 1000, 100)), process_frame(1, pid=9))
    counters.forget_before(850 * SECOND)
    assert list(counters.processes.processes) == [PID]
    assert counters.processes.processes[PID][0].at_ns == 500 * SECOND


# -- analysis ----------------------------------------------------------------------------------


def test_rates_are_growth_over_the_window():
    found = host_readings(held(*(process_frame(at) for at in range(0, 21, 10))), 0, 20 * SECOND)[0]
    assert found.covered_s == 20
    assert found.minor_faults_per_s == pytest.approx(10)
    assert found.major_faults_per_s == pytest.approx(1)
    assert found.voluntary_switches_per_s == pytest.approx(100)
    assert found.nonvoluntary_switches_per_s == pytest.approx(20)
    assert found.io_wait_s == pytest.approx(2)
    assert found.throttled_share == pytest.approx(0.25)
    assert found.throttled_periods_share == pytest.approx(0.4)


def test_a_counter_grows_evenly_between_samples():
    found = samples(process_frame(0), process_frame(10))
    assert grown_between(found, "minor_faults", 2 * SECOND, 5 * SECOND) == (30, 3 * SECOND)


def test_a_step_in_which_threads_took_their_switches_along_is_left_out_with_its_time():
    found = samples(
        process_frame(0),
        process_frame(1),
        process_frame(2, voluntary_switches=5),
        process_frame(3, voluntary_switches=105),
    )
    assert grown_between(found, "voluntary_switches", 0, 3 * SECOND) == (200, 2 * SECOND)


def test_a_step_to_another_quota_does_not_count_as_throttling():
    found = samples(process_frame(0), process_frame(1, quota_cores=1.0, throttled_ns=9 * SECOND))
    assert grown_between(found, "throttled_ns", 0, SECOND) == (0, 0)


def test_a_window_before_or_after_all_samples_has_no_rates():
    found = samples(process_frame(5), process_frame(6))
    assert grown_between(found, "minor_faults", 0, 5 * SECOND) == (0, 0)
    assert grown_between(found, "minor_faults", 6 * SECOND, 9 * SECOND) == (0, 0)


def test_a_process_that_ended_before_the_window_is_not_in_it():
    counters = held(process_frame(1, pid=9), process_frame(20))
    assert [found.pid for found in host_readings(counters, 10 * SECOND, 20 * SECOND)] == [PID]


def test_a_worker_thread_has_its_own_switches():
    counters = ledger(History(1, 10, tasks=[Task(0, 0, 0, 0, 10)]))
    take_in(counters, {"frame": "hello", "version": 1, "pid": PID})
    for at in (0, 10):
        take_in(counters, process_frame(at))
        switches = {100: [30 * at, 2 * at, -1], 999: [at, at, at]}
        frame = {"frame": "host", "at_ns": at * SECOND, "threads": {}, "switches": switches}
        take_in(counters, frame)
    (thread,) = host_readings(counters, 0, 10 * SECOND)[0].threads
    assert thread.native_id == 100
    assert thread.voluntary_switches_per_s == pytest.approx(30)
    assert thread.nonvoluntary_switches_per_s == pytest.approx(2)
    assert thread.io_wait_s is None


def growing(rate_mib_per_minute: float, seconds: int, wobble: int = 0) -> list[ProcessSample]:
    return samples(
        *(
            process_frame(
                at,
                resident_bytes=int((100 + rate_mib_per_minute * at / 60) * MIB)
                + wobble * (at % 7) * MIB,
            )
            for at in range(seconds)
        )
    )


def test_memory_that_grows_evenly_has_its_rate_and_is_steady():
    found = memory_growth(growing(12.0, 121))
    assert found.bytes_per_minute == pytest.approx(12 * MIB, rel=0.05)
    assert found.over_s == 120
    assert found.is_steady


def test_memory_that_is_given_back_in_between_grows_by_what_stays():
    found = memory_growth(growing(12.0, 121, wobble=5))
    assert found.bytes_per_minute == pytest.approx(12 * MIB, rel=0.25)
    assert found.is_steady


def test_memory_that_goes_up_and_down_is_not_steady():
    found = memory_growth(growing(0.0, 121, wobble=5))
    assert found.bytes_per_minute == pytest.approx(0, abs=MIB)
    assert not found.is_steady


def test_growth_is_not_computed_from_a_few_seconds():
    assert memory_growth(growing(60.0, 5)).bytes_per_minute is None


# -- findings ----------------------------------------------------------------------------------


def pool_time(workers: int = 4, core_time: str = "kernel", **seconds: float) -> PoolTime:
    """Return ten seconds of a pool, what is not named working."""
    parts = {name: int(value * SECOND) for name, value in seconds.items()}
    whole = WorkerTime(working=workers * 10 * SECOND - sum(parts.values()), **parts)
    by_category = np.zeros((len(CATEGORIES), workers), dtype=np.int64)
    by_category[:, 0] = [getattr(whole, name) for name in CATEGORIES]
    return PoolTime(by_category, 10 * SECOND, core_time)


def found(time: PoolTime, *hosts: HostReading) -> dict[str, float]:
    return {f.code: f.worker_seconds for f in host_findings(time, None, hosts or (host(),))}


def test_a_quota_costs_what_the_group_was_held_back_and_the_rest_is_too_many_workers():
    # Held back for 0.25 core: 2.5 s of the 10 s in which four workers waited for 12 s.
    costs = found(pool_time(run_queue_wait=12))
    assert costs["cpu-quota"] == pytest.approx(2.5)
    assert costs["more-workers-than-cores"] == pytest.approx(9.5)


def test_a_quota_costs_workers_no_more_than_they_waited_for_a_core():
    assert found(pool_time(run_queue_wait=2.1)) == {"cpu-quota": pytest.approx(2.1)}
    assert found(pool_time(blocked=9)) == {}


def test_a_quota_is_bounded_by_blocked_time_where_no_run_queue_is_known():
    assert found(pool_time(core_time="process", blocked=2.2)) == {"cpu-quota": pytest.approx(2.2)}


def test_processes_of_one_group_are_not_held_back_twice():
    costs = found(pool_time(run_queue_wait=12), host(), host(pid=1), host(pid=2))
    assert costs["cpu-quota"] == pytest.approx(2.5)


def test_waiting_workers_that_are_no_more_than_cores_are_not_too_many():
    free = host(usable_cores=4.0, quota_cores=None, throttled_share=None)
    assert found(pool_time(run_queue_wait=12), free) == {}
    assert "more-workers-than-cores" in found(pool_time(5, run_queue_wait=12), free)


def test_more_workers_than_cores_are_found_though_none_is_left_when_the_pool_has_closed():
    over = LifetimesReading(present=0, joined=4, left=4, died=0, dead=())
    free = host(quota_cores=None, usable_cores=2.0, throttled_share=None)
    (finding,) = host_findings(pool_time(run_queue_wait=12), over, (free,))
    assert finding.code == "more-workers-than-cores"
    assert finding.sentence.startswith("4 workers shared 2 usable cores")


def test_less_than_a_twentieth_of_the_worker_time_is_no_finding():
    assert found(pool_time(run_queue_wait=1.9)) == {}


def test_steady_growth_of_memory_over_a_minute_is_found():
    leak = host(
        growth_bytes_per_minute=5.0 * MIB,
        growth_over_s=75.0,
        growth_is_steady=True,
        resident_bytes=210 * MIB,
    )
    (finding,) = host_findings(pool_time(), None, (host(pid=1), leak))
    assert finding.code == "memory-growth"
    assert (
        "process 4711 grew steadily by 5.0 MiB a minute over 75 s, to 210 MiB" in finding.sentence
    )


@pytest.mark.parametrize(
    "changes",
    [
        {"growth_is_steady": False},
        {"growth_over_s": 59.0},
        {"growth_bytes_per_minute": 0.9 * MIB},
        {"resident_bytes": 501 * MIB},  # less than a hundredth a minute
    ],
)
def test_growth_that_is_short_slow_or_unsteady_is_not_found(changes):
    leak = {
        "growth_bytes_per_minute": 5.0 * MIB,
        "growth_over_s": 75.0,
        "growth_is_steady": True,
        **changes,
    }
    assert host_findings(pool_time(), None, (host(**leak),)) == ()


def test_findings_of_the_host_take_their_place_by_cost_in_the_pools_reading():
    # The one worker waits for a core all the time, and the group is held back all the time.
    counters = Ledger()
    take_in(counters, {"frame": "hello", "version": 1, "pid": PID})
    for frame in frames(History(1, 10 * SECOND, tasks=[Task(0, 0, 0, 0, 10 * SECOND)])):
        take_in(counters, frame)
    for at in (0, 10):
        take_in(counters, process_frame(at, throttled_ns=at * SECOND, periods=at))
        threads = {100: [0, at * SECOND]}
        take_in(counters, {"frame": "host", "at_ns": at * SECOND, "threads": threads})
    codes = [finding.code for finding in read(counters, source()).pools[0].findings]
    assert codes == ["cpu-quota"]


# -- views -------------------------------------------------------------------------------------


def test_the_head_of_the_screen_says_how_many_cores_a_quota_leaves():
    shown = replace(reading(), host=(host(),))
    assert "1.5 of 2 cores usable (quota)" in who(shown, shown.pools[0])


@pytest.mark.parametrize("quota", [None, 2.0, 8.0])
def test_the_head_of_the_screen_is_short_where_no_quota_binds(quota):
    shown = replace(reading(), host=(host(quota_cores=quota, usable_cores=2.0),))
    assert "2 cores" in who(shown, shown.pools[0])


def test_text_says_a_line_for_each_process_and_one_for_their_common_quota():
    shown = replace(reading(), host=(host(growth_bytes_per_minute=-2.0 * MIB), host(pid=5)))
    lines = text.explain(shown).partition("\nHost\n")[2].splitlines()[:3]
    assert [line.strip() for line in lines] == [
        "Process 4711: resident memory 100.0 MiB (-2.0 MiB per minute), page faults 11/s (1/s from "
        "disk), context switches 100/s voluntary and 20/s forced, waiting for block I/O 1.0 s",
        "Process 5: resident memory 100.0 MiB, page faults 11/s (1/s from "
        "disk), context switches 100/s voluntary and 20/s forced, waiting for block I/O 1.0 s",
        "CPU quota 1.5: 1.5 of 2 cores usable; throttled: 25 % of one core's time, "
        "in 40 % of the quota's periods",
    ]


def test_text_does_not_list_hundreds_of_processes():
    shown = replace(reading(), host=tuple(host(pid=pid) for pid in range(300)))
    assert text.explain(shown).count("Process ") == 8
    assert "and 292 more processes" in text.explain(shown)


def test_json_and_html_hold_the_host_too():
    shown = replace(reading(), host=(host(),))
    (process,) = json.loads(json_view.render(shown))["host"]
    assert process["pid"] == PID
    assert process["throttled_share"] == pytest.approx(0.25)
    assert "CPU quota 1.5" in html.render(shown)


def test_what_is_unknown_is_null_in_json_and_left_out_of_text():
    blank = dict.fromkeys(
        ("minor_faults_per_s", "voluntary_switches_per_s", "io_wait_s", "quota_cores")
    )
    shown = replace(reading(), host=(host(**blank),))
    assert json.loads(json_view.render(shown))["host"][0]["io_wait_s"] is None
    written = text.explain(shown)
    assert "\n  Process 4711: resident memory 100.0 MiB\n" in written


def test_a_replay_says_the_cores_and_the_uptime_that_its_capture_was_made_with(tmp_path):
    frames_of_job = [
        {"frame": "hello", "version": 1, "pid": PID},
        *frames(History(1, 20 * SECOND, tasks=[Task(0, 0, 0, 0, 20 * SECOND)])),
        process_frame(15, started_ns=-40 * SECOND),
    ]
    writer = CaptureWriter(tmp_path / "job.idlehands")
    writer.add(0, b"".join(map(encode, frames_of_job)))
    writer.close()
    feed = Feed(ReplaySource(str(tmp_path / "job.idlehands")), None, keep=True)
    feed.source.play_all()
    feed.update()
    found = feed.reading().source
    assert (found.cores, found.uptime_s) == (2, 60.0)


def test_a_process_is_sampled_with_when_it_began():
    tick_ns = 1e9 / os.sysconf("SC_CLK_TCK")
    before = time.monotonic_ns()
    with subprocess.Popen(["/bin/sleep", "60"]) as process:
        after = time.monotonic_ns()
        (frame,), _ = processes.sample([process.pid])
        process.kill()
    assert before - tick_ns <= frame["started_ns"] <= after + tick_ns
