"""What `/proc/PID/task/TID/syscall` and `/proc/PID/maps` say (proc(5)), line by line.

System call numbers: Linux, arch/x86/entry/syscalls/syscall_64.tbl and the generic table of aarch64.
Real threads under each Python are tested in the integration tests.
"""

from __future__ import annotations

import pytest

from idlehands_monitor.ingest.sources import kernel_waits as waits
from idlehands_monitor.ingest.sources.kernel_waits import statics_of, wait_of
from idlehands_monitor.model.vocabulary import RUNNING, WaitReason

EXECUTABLE = "/opt/python/bin/python3.11"
MAPS = f"""\
1000-2000 r-xp 00000000 fe:00 1 {EXECUTABLE}
2000-3000 rw-p 00001000 fe:00 1 {EXECUTABLE}
3000-4000 rw-p 00000000 00:00 0
5000-6000 rw-p 00000000 00:00 0 [heap]
7000-8000 rw-p 00000000 fe:00 2 /opt/python/lib/libpython3.11.so.1.0
8000-9000 rw-p 00000000 00:00 0
9000-a000 rw-p 00000000 fe:00 3 /lib/libc.so.6
a000-b000 rw-p 00000000 00:00 0
"""
STATICS = ((0x2000, 0x3000), (0x3000, 0x4000), (0x7000, 0x8000), (0x8000, 0x9000))


def test_statics_are_what_is_writable_of_the_interpreter_and_right_behind_it():
    assert statics_of(MAPS, EXECUTABLE) == STATICS


@pytest.mark.parametrize(
    ("line", "machine", "expected"),
    [
        ("running", "x86_64", RUNNING),
        ("202 0x3010 0x89 0x0", "x86_64", WaitReason.INTERPRETER_LOCK),
        ("202 0x8ff8 0x89 0x0", "x86_64", WaitReason.INTERPRETER_LOCK),
        ("202 0x5010 0x189 0x0", "x86_64", WaitReason.LOCK),
        ("202 0xa010 0x189 0x0", "x86_64", WaitReason.LOCK),
        ("98 0x3010 0x89 0x0", "aarch64", WaitReason.INTERPRETER_LOCK),
        ("230 0x1 0x1 0x7ff0", "x86_64", WaitReason.SLEEP),
        ("115 0x1 0x1 0x7ff0", "aarch64", WaitReason.SLEEP),
        ("270 0x0 0x0 0x0", "x86_64", WaitReason.SLEEP),  # select with nothing to watch
        ("270 0x5 0x7f00 0x0", "x86_64", WaitReason.INPUT_OUTPUT),
        ("7 0x7f00 0x0 0x64", "x86_64", WaitReason.SLEEP),
        ("7 0x7f00 0x2 0x64", "x86_64", WaitReason.INPUT_OUTPUT),
        ("45 0x3 0x7f00 0x1", "x86_64", WaitReason.INPUT_OUTPUT),
        ("-1 0x7f00 0x7f08", "x86_64", WaitReason.INPUT_OUTPUT),  # in no call: a page is read in
        ("61 0x2a 0x0 0x0", "x86_64", WaitReason.CHILD_PROCESS),
        ("9999 0x0", "x86_64", WaitReason.OTHER),
        ("what is this", "x86_64", WaitReason.OTHER),
    ],
)
def test_a_line_of_the_kernel_shows_what_a_thread_waits_for(line, machine, expected):
    assert wait_of(line, STATICS, waits._CALLS[machine]) == expected


def test_the_ledger_knows_every_reason_that_the_source_reports():
    reported = {
        RUNNING,
        WaitReason.INTERPRETER_LOCK,
        WaitReason.LOCK,
        WaitReason.SLEEP,
        WaitReason.INPUT_OUTPUT,
        WaitReason.CHILD_PROCESS,
        WaitReason.OTHER,
    }
    assert reported == {RUNNING, *WaitReason}
