"""`idlehands whatif` as people run it: on a capture, on nonsense, and stopped halfway."""

from __future__ import annotations

import json

import pytest

from helpers import idlehands

KETTLE = """
import time
from concurrent.futures import ThreadPoolExecutor

def brew(n):
    time.sleep(0.005 + n % 5 / 1000)

stove = ThreadPoolExecutor(1, "stove")
stove.submit(time.sleep, 0.01).result()
print("ready", flush=True)
input()
with ThreadPoolExecutor(2, "kettle") as pool:
    for task in [pool.submit(brew, n) for n in range(120)]:
        task.result()
print("done", flush=True)
input()
"""
NEVER = """
import os, time
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(1, "kettle")
pool.submit(time.sleep, 600)
print("ready", flush=True)
input()
print("done", flush=True)
input()
os._exit(0)
"""


@pytest.fixture(scope="module")
def capture(captured_here):
    """Return a capture of a small job: 120 tasks of 5 to 9 ms on two threads."""
    return captured_here(KETTLE)


def asked(capture, *options, status=0):
    only = () if "--pool" in options else ("--pool", "kettle")
    done = idlehands("whatif", capture, *only, *options, folder=capture.parent)
    assert done.returncode == status, done.stderr
    return done.stdout if status == 0 else done.stderr


def test_json_has_the_shape_of_schema_1(capture):
    found = json.loads(asked(capture, "--workers", "1..3", "--seeds", "2", "--json"))
    assert found["schema"] == 1
    (pool,) = found["pools"]
    assert (pool["arrivals"], pool["unit"]) == ("batch", "seconds")
    assert pool["reproduced"] == pytest.approx(pool["recorded"], rel=0.1)
    assert [one["change"] for one in pool["answers"]] == [{"workers": n} for n in (1, 2, 3)]
    for one in pool["answers"]:
        assert one["low"] <= one["median"] <= one["high"]
    assert pool["answers"][0]["median"] == pytest.approx(2 * pool["recorded"], rel=0.05)


def test_the_whole_list_is_printed_best_first(capture):
    text = asked(capture)
    assert "use 8 workers" in text
    assert "make tasks of __main__.brew 50 % shorter" in text
    assert text.index("use 8 workers") < text.index("use 1 worker")


def test_markdown_and_html_say_it_too(capture, tmp_path):
    assert "use 8 workers" in asked(capture, "--workers", "8", "--markdown", "--seeds", "1")
    page = tmp_path / "answers.html"
    asked(capture, "--workers", "1..4", "--html", page, "--seeds", "1")
    assert "<svg" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("options", "line"),
    [
        (("--kind", "stew=-50%"), "no task of the kind stew: it was not recorded: __main__.brew"),
        (("--pool", "pot"), "no pool is called pot: there is"),
        (("--one-pool",), "there is only one pool with tasks"),
        (("--want", "p95=50ms"), "do not come at their own pace (batch)"),
        (("--workers", "0"), "'0' is no whole number from 1 to 1024"),
        (("--workers", "9..2"), "9 is more than 2"),
        (("--grain", "x1.5"), "'x1.5' is neither x2, x3"),
        (("--arrivals", "sometimes"), "invalid choice"),
    ],
)
def test_nonsense_gets_one_clear_line_and_status_2(capture, options, line):
    said = asked(capture, *options, status=2)
    assert line in said.splitlines()[-1]
    assert "Traceback" not in said


def test_a_capture_without_a_finished_task_gets_one_clear_line(captured_here):
    said = asked(captured_here(NEVER), status=2)
    assert said.endswith("no task began and ended in what was recorded\n")
    assert len(said.splitlines()) == 1
