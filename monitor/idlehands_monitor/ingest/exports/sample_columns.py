"""The tables of what the monitor samples of the host and of processes without a probe. Pure."""

from __future__ import annotations

from .declaring import AT, PROCESS, ExportTable, cores, number, text

SAMPLE_TABLES = (
    ExportTable(
        "thread_samples",
        "the kernel's counters of a thread at one time",
        (
            PROCESS,
            AT,
            number("native_id", "the kernel's number of the thread"),
            number("on_core_ns", "time on a core so far, -1 unknown"),
            number("run_queue_ns", "time ready to run without a core so far, -1 unknown"),
            text("wait", "what it waited for, empty where that was not read"),
            number("voluntary", "switches that it asked for so far, -1 not read", "switches"),
            number("nonvoluntary", "other switches so far, -1 not read", "switches"),
            number("io_wait_ns", "time in block input and output so far, -1 not read"),
            number("gone", "1 where the thread had ended, else 0"),
            number("beside", "1 where the thread is no worker of a pool, else 0"),
        ),
    ),
    ExportTable(
        "process_samples",
        "the kernel's counters of a process at one time; -1 unknown",
        (
            PROCESS,
            AT,
            number("pid", "process id"),
            number("resident_bytes", "memory in use"),
            number("minor_faults", "page faults without input or output so far", "faults"),
            number("major_faults", "page faults with input or output so far", "faults"),
            number("voluntary_switches", "switches that its threads asked for so far", "switches"),
            number("nonvoluntary_switches", "other switches so far", "switches"),
            number("io_wait_ns", "time of its threads in block input and output so far"),
            number("affinity", "cores that it may use", "cores"),
            number("periods", "periods of its CPU quota so far", "periods"),
            number("throttled_periods", "periods in which the quota stopped it", "periods"),
            number("throttled_ns", "time for which the quota stopped it so far"),
            number("memory_left_bytes", "memory that it may still take"),
            number("started_ns", "when the process began"),
            cores("usable_cores", "cores that it may use, quota and affinity together"),
            cores("quota_cores", "cores that its quota allows"),
        ),
    ),
    ExportTable(
        "stack_samples",
        "a thread at one time, with its stack",
        (
            number("sample", "number of the sample in this export"),
            AT,
            number("began_ns", "when the reading of the stacks began, -1 unknown"),
            number("pid", "process id"),
            number("parent", "process that started it, -1 unknown"),
            number("native_id", "the kernel's number of the thread"),
            text("name", "name of the thread"),
            number("owns_lock", "1 where it held the interpreter lock, else 0"),
            text("wait", "what it waited for just before"),
            text("missing", "why the stacks of the process could not be read, else empty"),
        ),
    ),
    ExportTable(
        "stack_frames",
        "a frame of the stack of a sample",
        (
            number("sample", "number of the sample, see the table stack_samples"),
            number("depth", "0 for the innermost frame"),
            text("function", "name of the function"),
            text("file", "path of its file"),
            number("line", "line in that file, -1 unknown"),
        ),
    ),
)
