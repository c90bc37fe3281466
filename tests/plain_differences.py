"""The differences that the probe may make to a job; docs/probing-jobs.md names each."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Allowed:
    """A difference that is meant: named as in docs/probing-jobs.md, with the jobs that show it."""

    name: str
    reason: str
    aspects: tuple[str, ...]
    lines: str
    """What each line that differs looks like, after its plus or minus."""
    jobs: tuple[str, ...]


ALLOWED = (
    Allowed(
        "Sockets and last states left behind",
        "Nothing of the probe's runs when a process ends by os._exit, by a signal or by exec, and"
        " none can take a file away whose folder it may no longer enter.",
        ("sockets",),
        r"\+(\(pid\)(\.sock|-\(random\)\.state)|\.\(pid\)-\(random\))",
        (
            "exits/aborted",
            "exits/exec_of_another_program",
            "exits/killed_by_itself",
            "exits/os_exit",
            "exits/restarts_itself",
            "exits/terminated",
            "forks/child_outlives_parent",
            "forks/from_a_task_at_once",
            "forks/from_at_fork_functions",
            "forks/nested",
            "forks/soon_after_the_first_task",
            "libraries/joblib_memory_mapped",
            "limits/cpu_time",
            "signals/sigpipe_restored",
            "users/becomes_another_user",
            "users/changes_its_root",
        ),
    ),
    Allowed(
        "Frames below the main module",
        "The job is called by `idlehands run`, as it would be by any program that runs another.",
        ("stderr", "stdout"),
        r"\+  File .*(idlehands|runpy).*|[-+]2\d\d"
        r"|-<?sys>?:[01]: UserWarning: at the top|\+.*_run\.py:\d+: UserWarning: at the top"
        r"|\+  exec\(code, names\).*|\+Thread 0x.*|\+<no Python frame>|\+",
        (
            "exits/aborted",
            "limits/recursion_depth_of_main",
            "names/inspects_itself",
            "signals/faulthandler",
            "signals/faulthandler_all_threads",
        ),
    ),
    Allowed(
        "A thread and descriptors of its own",
        "Somebody has to listen for readers.",
        ("stderr", "stdout"),
        r"[-+]\d+|\+Thread 0x\(address\).*|\+  File .*|\+  <no Python frame>|\+",
        (
            "descriptors/count_at_the_end",
            "pools/counts_its_threads",
            "signals/faulthandler_all_threads",
        ),
    ),
    Allowed(
        "Memory",
        "What is recorded takes memory, and while a reader is attached about a megabyte a worker"
        " more.",
        ("stdout", "stderr", "status"),
        r".*",
        ("limits/little_memory_with_processes",),
    ),
    Allowed(
        "One line says what is left alone",
        "Who waits for a socket or a pool wants to know; the job goes on. It is on the `idlehands`"
        " logger.",
        ("stderr",),
        r"\+nobody can attach to this process: .*|\+.* (is|are) not (probed|recorded): .*"
        r"|\+the last state of this process is not kept: .*",
        (
            "descriptors/few_allowed",
            "libraries/joblib_memory_mapped",
            "libraries/joblib_multiprocessing",
            "limits/file_size",
            "pools/priority_executor",
            "queues/instance_attributes",
            "queues/simple_queue_and_subclass",
            "surroundings/patched_pools",
            "descriptors/none_left_at_first",
            "limits/no_more_threads",
            "limits/the_probes_thread_refused",
            "logging/says_why_nobody_can_attach",
            "surroundings/audit_hook_refuses",
            "surroundings/no_sockets",
            "users/changes_its_root",
            "users/changes_its_root_before_the_first_task",
        ),
    ),
    Allowed(
        "Private parts of the standard library",
        "The pools are hooked there: some objects have another class, some one attribute more.",
        ("stdout",),
        r".*(Queue|_idlehands|_put|_get|_WorkItem|Instrumented|unfinished_tasks).*|[-+]\(self.*",
        (
            "names/pools_signatures_and_classes",
            "pickling/executors_do_not_pickle",
            "queues/attributes_of_a_queue",
        ),
    ),
    Allowed(
        "A line of the probe's in a traceback through a queue",
        "A queue between processes is hooked by its methods, which Python's tracebacks show.",
        ("stderr",),
        r"\+  File .*_process_queues\.py.*|\+    item = .*|\+ *\^+",
        ("pickling/task_raises_on_arrival",),
    ),
    Allowed(
        "The command as it was given",
        "`sys.orig_argv` is the interpreter's own note of it.",
        ("stdout",),
        r"[-+]\[.*job\.py'\]",
        ("names/original_arguments",),
    ),
    Allowed(
        "Modules that are loaded already",
        "What the probe needs is imported before the job starts, so that no fork meets an import.",
        ("stdout",),
        r"-False|\+True",
        ("names/shadowed_standard_modules",),
    ),
    Allowed(
        "A pool that breaks as the job ends",
        "As the interpreter ends it writes to a pipe that the executor's own thread may be closing:"
        ' "call not protected by ProcessPoolExecutor._shutdown_lock" (CPython 3.9 to 3.15,'
        " Lib/concurrent/futures/process.py, `_python_exit`). Rare, and of the moment.",
        ("stderr",),
        r"[+-]Exception ignored (in: <module 'threading'|on threading shutdown).*"
        r"|[+-]Traceback .*|[+-]  File .*(threading|process|connection)\.py\".*"
        r"|[+-]    (atexit_call\(\)|thread_wakeup\.wakeup\(\)|self\._writer\.send_bytes\(b\"\"\))"
        r"|[+-]    (self\._send.*|n = write\(.*)|[+-] *[~^]+"
        r"|[+-]OSError: (\[Errno 9\] Bad file descriptor|handle is closed)",
        (
            "exits/killed_worker",
            "exits/worker_calls_os_exit",
            "pickling/result_raises_on_arrival",
            "pools/broken_and_nested",
        ),
    ),
    Allowed(
        "A dump of all threads as the probe's thread starts",
        "CPython 3.15 ends a dump at a thread whose state is not made yet; with `_thread`'s"
        " `start_new_thread` just before `dump_traceback` it does so without the probe as well.",
        ("stderr",),
        r"\+<freed thread state>|-(Thread|Current thread) 0x.*|-  File .*|-",
        ("signals/faulthandler_all_threads",),
    ),
)
