"""Control groups: quotas and counters from files written after the kernel's documentation, and
from a real group where this machine lets one be made."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from control_groups import PERIOD_US, control_group
from helpers import environment, wait_until
from idlehands_monitor.ingest.sources.control_group import ControlGroups, CpuLimit
from idlehands_monitor.ingest.sources.live import LiveSource
from idlehands_monitor.session.feed import Feed
from idlehands_monitor.views import text
from idlehands_monitor.views.sections.host import cores_phrase

TREES = Path(__file__).parent / "control_groups"
QUOTA_US = 30_000
SPINNING_JOB = """
import sys, time
from concurrent.futures import ThreadPoolExecutor
def spin():
    end = time.thread_time() + 0.005
    while time.thread_time() < end:
        pass
with ThreadPoolExecutor(1) as pool:
    while True:
        pool.submit(spin).result()
"""


def unpack(name: str, folder: Path, **replaced: str) -> str:
    """Write a tree's files below `folder`; `replaced` has other contents by file name."""
    for piece in (TREES / f"{name}.txt").read_text(encoding="utf-8").split("\n== ")[1:]:
        path, _, content = piece.partition("\n")
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(replaced.get(target.name.replace(".", "_"), content.rstrip("\n") + "\n"))
    return str(folder)


def test_version_2_takes_the_tightest_quota_on_the_way_to_the_root(tmp_path):
    limit = ControlGroups(unpack("v2", tmp_path)).cpu_limit(42)
    assert limit == CpuLimit(150_000, 100_000, 400, 100, 2_500_000_000)
    assert limit.cores == 1.5


def test_version_2_without_a_quota_anywhere_has_no_limit(tmp_path):
    assert ControlGroups(unpack("v2", tmp_path)).cpu_limit(43) is None


def test_version_1_is_found_at_its_mount_below_the_root_of_that(tmp_path):
    limit = ControlGroups(unpack("v1", tmp_path)).cpu_limit(42)
    assert limit == CpuLimit(10_000, 50_000, 200, 150, 6_000_000_000)


@pytest.mark.parametrize(("tree", "pid"), [("v1", 43), ("v2", 44)])
def test_a_group_that_no_mount_shows_has_no_limit(tree, pid, tmp_path):
    assert ControlGroups(unpack(tree, tmp_path)).cpu_limit(pid) is None


@pytest.mark.parametrize(
    ("quota", "period", "cores"),
    [("250000", "250000", 1.0), ("1000000", "500000", 2.0), ("10000", "50000", 0.2)],
)
def test_quotas_are_those_of_the_kernels_examples(quota, period, cores, tmp_path):
    # Linux kernel documentation, scheduler/sched-bwc.rst, "Examples" 1 to 3.
    root = unpack("v1", tmp_path, cpu_cfs_quota_us=quota, cpu_cfs_period_us=period)
    assert ControlGroups(root).cpu_limit(42).cores == cores


def test_counters_that_are_not_there_are_unknown(tmp_path):
    root = unpack("v2", tmp_path, cpu_stat="usage_usec 5\n")
    assert ControlGroups(root).cpu_limit(42) == CpuLimit(150_000, 100_000, -1, -1, -1)


@pytest.mark.parametrize("bad", ["", "\n", "max", "0 0", "-5 100000", "5", "x y", "\x00", "9" * 40])
def test_a_damaged_quota_is_none(bad, tmp_path):
    assert ControlGroups(unpack("v2", tmp_path, cpu_max=bad)).cpu_limit(42) is None


def test_a_machine_without_control_groups_has_no_limit(tmp_path):
    assert ControlGroups(str(tmp_path)).cpu_limit(os.getpid()) is None


@pytest.fixture
def group():
    """Give a control group with a quota of 0.3 cores; skip where none may be made."""
    with contextlib.ExitStack() as stack:
        try:
            procs = stack.enter_context(control_group(QUOTA_US / PERIOD_US))
        except OSError as error:
            pytest.skip(str(error))
        yield procs.parent


@pytest.fixture
def job(group, tmp_path):
    """Run a pool of one spinning worker in the group, and give its pid."""
    script = tmp_path / "job.py"
    script.write_text(SPINNING_JOB)
    folder = Path(os.environ["IDLEHANDS_DIR"])
    process = subprocess.Popen(
        [sys.executable, "-m", "idlehands", "run", str(script)],
        env=environment(folder),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        (group / "cgroup.procs").write_text(str(process.pid))
        yield process.pid
    finally:
        process.kill()
        process.wait()


def test_the_counters_of_a_real_group_are_read(group, job):
    def limit() -> CpuLimit | None:
        return ControlGroups().cpu_limit(job)

    wait_until(lambda: limit() is not None and limit().throttled_periods > 2, "it is held back")
    assert (limit().quota_us, limit().period_us) == (QUOTA_US, PERIOD_US)
    assert limit().periods >= limit().throttled_periods
    assert limit().throttled_ns > 0


def test_a_worker_under_a_real_quota_has_the_finding(group, job):
    feed = Feed(LiveSource(str(job)), 10_000_000_000)

    def has_finding() -> bool:
        feed.update()
        codes = [finding.code for pool in feed.reading().pools for finding in pool.findings]
        return "cpu-quota" in codes

    try:
        wait_until(has_finding, "the finding")
        reading = feed.reading()
    finally:
        feed.source.close()
    assert reading.host[0].quota_cores == pytest.approx(0.3)
    assert "CPU quota 0.3" in text.explain(reading)
    if reading.host[0].affinity > 1:
        assert cores_phrase(reading).startswith("0.3 of ")


# -- memory that is left ---------------------------------------------------------------------------

V2_PROCESS = "0::/shop/kiln"
V2_MOUNT = "30 24 0:26 / /sys/fs/cgroup rw shared:4 - cgroup2 cgroup2 rw"
V1_PROCESS = "5:memory:/shop/kiln\n0::/"
V1_MOUNT = "31 24 0:27 / /sys/fs/cgroup/memory rw shared:5 - cgroup cgroup rw,memory"


def memory_left(folder: Path, mount: str, process: str, files: dict[str, str]) -> int:
    """Return the memory left for process 42 on a machine with these files."""
    known = {"proc/self/mountinfo": mount, "proc/42/cgroup": process}
    for path, content in {**known, **files}.items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(content + "\n", encoding="utf-8")
    return ControlGroups(str(folder)).memory_left(42)


def test_memory_is_left_up_to_the_tightest_limit_of_a_group_and_those_above_it(tmp_path):
    files = {
        "sys/fs/cgroup/shop/memory.max": "1000",
        "sys/fs/cgroup/shop/memory.current": "700",
        "sys/fs/cgroup/shop/memory.stat": "anon 500\ninactive_file 150\nactive_file 50",
        "sys/fs/cgroup/shop/kiln/memory.max": "max",
        "sys/fs/cgroup/shop/kiln/memory.current": "600",
        "proc/meminfo": "MemTotal: 900 kB\nMemAvailable:    800 kB",
    }
    assert memory_left(tmp_path, V2_MOUNT, V2_PROCESS, files) == 450


def test_without_a_limit_of_a_group_the_machine_is_the_limit(tmp_path):
    files = {"proc/meminfo": "MemTotal: 900 kB\nMemAvailable:    800 kB"}
    assert memory_left(tmp_path, V2_MOUNT, V2_PROCESS, files) == 800 * 1024


def test_version_1_has_its_own_names_of_the_same_files(tmp_path):
    group = "sys/fs/cgroup/memory/shop/kiln"
    files = {
        "sys/fs/cgroup/memory/memory.limit_in_bytes": "9223372036854771712",
        "sys/fs/cgroup/memory/memory.usage_in_bytes": "5000",
        f"{group}/memory.limit_in_bytes": "1000",
        f"{group}/memory.usage_in_bytes": "700",
        f"{group}/memory.stat": "cache 1\ntotal_inactive_file 100",
    }
    assert memory_left(tmp_path, V1_MOUNT, V1_PROCESS, files) == 400


def test_where_nothing_can_be_read_it_is_not_known_how_much_memory_is_left(tmp_path):
    assert memory_left(tmp_path, V2_MOUNT, V2_PROCESS, {}) == -1
