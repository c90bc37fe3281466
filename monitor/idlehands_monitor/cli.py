"""The command line: arguments in, one command called, its exit status out.

Only argparse is imported here, so that `--help` answers at once; each command's own module is
imported when it runs. Data goes to stdout, messages to stderr.
"""

from __future__ import annotations

import argparse
import gc
import importlib
import sys
import warnings
from typing import TYPE_CHECKING

from idlehands import __version__

from .commands.arguments import (
    at_least_one,
    duration,
    joined,
    kind_factor,
    number,
    ratio,
    shorter,
    size,
    speed,
    wanted,
)
from .commands.arguments import workers as worker_numbers
from .commands.options import add_check, add_contrast
from .commands.window import add_cut, add_running
from .model.errors import DONE, USAGE, CommandError
from .model.export_form import ExportForm

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

COLLECT_AFTER = 50_000
"""New objects between two searches for cycles. A few frames make as many, and none in cycles."""
EXAMPLES = """\
examples:
  idlehands demo                           a pool to look at, with its dashboard
  idlehands run job.py --fast              run a job of yours, its pools probed
  idlehands run --capture a.idlehands job.py   record it from its first task on
  idlehands pools                          what can be watched here
  idlehands watch tide-archive             watch a pool by its name
  idlehands watch 4711                     or by its process id
  idlehands capture tide-archive -o a.idlehands --for 60s
  idlehands watch a.idlehands --speed 4    replay it
  idlehands explain a.idlehands --json     the reading as JSON
  idlehands explain a.idlehands --from 12s --to deploy
  idlehands contrast a.idlehands b.idlehands   what differs between them
  idlehands whatif a.idlehands             what changes would gain, best first
  idlehands whatif a.idlehands --workers 1..16
  idlehands export a.idlehands --to sqlite -o a.sqlite
  idlehands scrub a.idlehands -o for-others.idlehands
"""

CHANGES = (
    ("--workers", "N|A..B", worker_numbers, "so many workers, or each number of a range"),
    ("--cores", "N", number, "so many cores"),
    ("--grain", "x2|/2", ratio, "pieces of work so many times as large, or divided"),
    ("--split-lock", "N", at_least_one, "the lock that tasks wait for in so many parts"),
    ("--hand-over", "-50%", shorter, "tasks handed over in so much less time"),
    ("--hand-in", "-50%", shorter, "so much less time between two hand-ins"),
    ("--in-flight", "x2", ratio, "so many times as many tasks in flight (closed streams)"),
)
SWITCHES = (
    ("--no-interpreter-lock", "processes, or a free-threaded build"),
    ("--no-lock", "tasks do without the lock that they wait for"),
    ("--wake-at-once", "a parked worker wakes at once for each task"),
    ("--park-when-empty", "workers park only when nothing is queued in their pool"),
    ("--even-victims", "thieves choose their victims at random"),
    ("--right-ends", "owners take the newest task, thieves the oldest"),
    ("--one-pool", "one pool of all, with the workers of all"),
    ("--undisturbed", "no other process wants the cores"),
    ("--only-workers", "no thread of the job wants the cores but its workers"),
    ("--hand-in-at-once", "all tasks handed in at first, no batch waits for another"),
)
ARRIVALS = "how work comes: all at first, so many in flight, or at its own pace (recognised)"


def parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    top = argparse.ArgumentParser(
        prog="idlehands",
        description="See why the workers of a running Python pool are not working, "
        "what it costs, and what would help.",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"idlehands {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    _demo(commands.add_parser("demo", help="run a pool with its dashboard"))
    # `idlehands.__main__` handles `run` before this parser is asked; here --help lists it.
    commands.add_parser("run", help="run a Python job with its pools probed", add_help=False)
    _watch(commands.add_parser("watch", help="watch a pool, a process or a capture"))
    pools = commands.add_parser("pools", help="list what can be watched")
    pools.add_argument("--json", action="store_true", help="as JSON")
    _capture(commands.add_parser("capture", help="write a capture file"))
    # `idlehands run --capture` starts it; a command without help is not listed.
    _record(commands.add_parser("record"))
    _explain(
        commands.add_parser("explain", help="print the reading as text, Markdown, JSON or HTML")
    )
    _what_if(commands.add_parser("whatif", help="simulate what a change would gain"))
    add_contrast(commands.add_parser("contrast", help="say what differs between captures"))
    add_check(commands.add_parser("check", help="hold a capture to limits"))
    _export(commands.add_parser("export", help="write a capture as files for other programs"))
    _scrub(commands.add_parser("scrub", help="copy a capture without private names"))
    return top


def _demo(command: argparse.ArgumentParser) -> None:
    command.add_argument("scenario", nargs="?", help="which demonstration (see --list)")
    command.add_argument("--list", action="store_true", help="list scenarios and faults")
    command.add_argument("--workers", type=int, metavar="N", help="workers in the pool (8)")
    command.add_argument("--seed", type=int, metavar="N", help="seed of the invented data")
    command.add_argument("--fault", metavar="NAME", help="make the pool misbehave (see --list)")
    command.add_argument(
        "--pool", metavar="KIND", help="the pool: stealing, or a stock pool of threads or processes"
    )
    command.add_argument(
        "--for", dest="seconds", type=duration, metavar="TIME", help="stop after TIME"
    )
    command.add_argument("--capture", metavar="FILE", help="write a capture of it all")
    _force_option(command)
    _stacks_option(command)
    _screen_options(command)


def _watch(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "target",
        nargs="?",
        metavar="PID|POOL|FILE",
        help="process id, pool name or capture file; may be left out when there is only one pool",
    )
    command.add_argument("--speed", type=speed, default=1.0, metavar="X", help="replay speed (1)")
    command.add_argument(
        "--for", dest="seconds", type=duration, metavar="TIME", help="stop after TIME"
    )
    _stacks_option(command)
    _screen_options(command)


def _screen_options(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--window",
        type=duration,
        default=10.0,
        metavar="TIME",
        help="length of the window that the figures are of (10s)",
    )
    command.add_argument(
        "--no-screen", action="store_true", help="print a line every second instead"
    )


def _stacks_option(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--no-stacks",
        dest="takes_stacks",
        action="store_false",
        help="take no stacks of the job's threads: no finding names a line, no capture has one",
    )


def _force_option(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--force", action="store_true", help="replace what is there, where it is yours"
    )


def _capture(command: argparse.ArgumentParser) -> None:
    command.add_argument("target", metavar="PID|POOL|FILE", help="what to capture")
    command.add_argument("-o", "--output", required=True, metavar="FILE", help="where to write it")
    _force_option(command)
    _size_option(command)
    _stacks_option(command)
    add_running(command, "until the target ends, with all that it still holds of its past")


def _size_option(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--max",
        type=size,
        metavar="SIZE",
        help="keep the newest of it, at most so much (512MB); of the rest, totals a second",
    )


def _record(command: argparse.ArgumentParser) -> None:
    command.add_argument("--socket", required=True, help="where the job's processes call")
    command.add_argument("--job", type=int, required=True, help="process id of the job's first one")
    command.add_argument("--says", type=int, required=True, help="descriptor of a pipe to the job")
    command.add_argument("--capture", required=True, metavar="FILE", help="where to write it")
    _force_option(command)
    _size_option(command)
    _stacks_option(command)


def _explain(command: argparse.ArgumentParser) -> None:
    command.add_argument("target", metavar="FILE|PID|POOL", help="a capture, or what to attach to")
    form = command.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="as JSON, schema 1")
    form.add_argument("--markdown", action="store_true", help="in short as Markdown, for an issue")
    form.add_argument("--html", metavar="FILE", help="write one self-contained HTML file")
    _force_option(command)
    _stacks_option(command)
    command.add_argument(
        "--no-gains", action="store_true", help="do not simulate what mending a finding would gain"
    )
    add_running(command, "5s")
    add_cut(command)


def _what_if(command: argparse.ArgumentParser) -> None:
    command.description = (
        "Simulate the recorded run with a change, and say what it would come to. Options that are "
        "given together are one change; without one the whole list is tried, best first."
    )
    command.add_argument("target", metavar="FILE|PID|POOL", help="a capture, or what to attach to")
    command.add_argument("--pool", default="", metavar="NAME", help="only this pool (all)")
    for name, metavar, parse, what in CHANGES:
        command.add_argument(name, metavar=metavar, type=parse, help=what)
    for name, what in SWITCHES:
        command.add_argument(name, action="store_true", help=what)
    for name, what in (("--kind", "all its time"), ("--wait", "its input and output")):
        command.add_argument(
            name,
            metavar="NAME=-50%",
            type=kind_factor,
            action="append",
            default=[],
            help=f"a kind of task, {what} so much shorter; can be repeated",
        )
    command.add_argument("--arrivals", choices=("batch", "closed", "open"), help=ARRIVALS)
    command.add_argument("--want", metavar="p95=50ms", type=wanted, help="size an open pool")
    command.add_argument("--seeds", type=at_least_one, metavar="N", help="simulated runs a change")
    form = command.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="as JSON, schema 1")
    form.add_argument("--markdown", action="store_true", help="as Markdown, for a bug report")
    form.add_argument("--html", metavar="FILE", help="write one self-contained HTML file")
    _force_option(command)
    add_running(command, "10s")
    add_cut(command)


def _export(command: argparse.ArgumentParser) -> None:
    command.add_argument("file", metavar="FILE", help="a capture, or an SQLite export of one")
    command.add_argument(
        "--to",
        required=True,
        choices=[*ExportForm],
        help="tables (csv and parquet are folders), a trace for timeline viewers, or spans (OTLP)",
    )
    command.add_argument(
        "-o", "--output", required=True, metavar="TARGET", help="where to write it"
    )
    _force_option(command)


def _scrub(command: argparse.ArgumentParser) -> None:
    command.add_argument("file", metavar="FILE", help="a capture, or an SQLite export of one")
    command.add_argument("-o", "--output", required=True, metavar="FILE", help="where to write it")
    command.add_argument(
        "--key",
        metavar="FILE",
        help="the key back to the names (OUTPUT.key); one that is there is used and added to",
    )
    _force_option(command)


def main(arguments: Sequence[str]) -> int:
    """Run one command line; return its exit status."""
    from .commands import output

    output.open_streams()
    # A damaged recording makes numpy warn about its figures, which helps nobody who reads them.
    warnings.filterwarnings("ignore", category=RuntimeWarning, module=__package__)
    command = ""
    try:
        try:
            options = parser().parse_args(joined(arguments))
        finally:
            sys.stdout.flush()  # the help, where that was asked for
        command = options.command
        module = importlib.import_module(f".commands.{command}", __package__)
        run: Callable[[argparse.Namespace], int] = module.run
        gc.freeze()  # loaded modules stay: no need to search them for cycles
        gc.set_threshold(COLLECT_AFTER)
        status = run(options)
        sys.stdout.flush()
        return status
    except CommandError as error:
        output.message(str(error), command)
        return error.status
    except BrokenPipeError:  # the reader of the output has gone, so no message helps
        output.give_up()
        return DONE
    except OSError as error:  # commands handle the expected errors of their files
        output.message(error.strerror or str(error), command)
        output.give_up()
        return USAGE
    except KeyboardInterrupt:
        return DONE


__all__ = ["USAGE", "main", "parser"]
