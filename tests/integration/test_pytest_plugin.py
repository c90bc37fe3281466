"""The fixture `idlehands_pool` in a pytest of its own, with real pools."""

from __future__ import annotations

import json
import re
from importlib import metadata
from pathlib import Path

import pytest
import tomllib

from helpers import idlehands

pytest_plugins = ["pytester"]

ROOT = Path(__file__).resolve().parents[2]
MODULE = "idlehands_monitor.pytest_plugin"
POOLS = """
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
import time

def brew(n):
    time.sleep(0.005)
    return n

def bad(n):
    raise ValueError(n)
"""


@pytest.fixture
def outcome(pytester):
    """Run test functions with the plugin; return the result of pytest."""
    installed = {one.value for one in metadata.entry_points(group="pytest11")}
    chosen = () if MODULE in installed else ("-p", MODULE)

    def run(tests, *arguments):
        pytester.makepyfile(test_kettle=POOLS + tests)
        return pytester.runpytest_subprocess(*chosen, "-p", "no:cacheprovider", *arguments)

    return run


def kept(result):
    """Return the capture that the report of a failure names."""
    (path,) = re.findall(r"the pools of this test: (\S+)", result.stdout.str())
    return Path(path)


def only_pool(path):
    """Return the only pool of a capture, as `explain --json` has it.

    By the command: pytester takes the modules that are imported here out again, and numpy's cannot
    be imported twice.
    """
    done = idlehands("explain", path, "--json", "--no-gains", folder=path.parent)
    (pool,) = json.loads(done.stdout)["pools"]
    return pool


def test_the_package_offers_the_plugin_to_pytest():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["entry-points"]["pytest11"] == {"idlehands": MODULE}


@pytest.mark.extra
def test_limits_that_hold_let_the_test_pass_and_leave_no_capture(outcome, pytester):
    result = outcome(
        """
def test_kettle(idlehands_pool):
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(brew, range(40)))
    idlehands_pool.assert_limits("failures=0", "lost_rows=0", "duration_p95=2s")
    (pool,) = idlehands_pool.reading().pools
    assert (pool.tasks.finished, len(pool.workers)) == (40, 2)
""",
        "--idlehands-captures=kept",
    )
    result.assert_outcomes(passed=1)
    assert list((pytester.path / "kept").iterdir()) == []


@pytest.mark.extra
def test_a_broken_limit_fails_the_test_and_keeps_its_capture(outcome, pytester):
    result = outcome(
        """
def test_kettle(idlehands_pool):
    with ThreadPoolExecutor(2) as pool:
        futures = [pool.submit(bad, n) for n in range(3)] + [pool.submit(brew, n) for n in range(5)]
    idlehands_pool.assert_limits("failures=2", "lost_rows=0")
""",
        "--idlehands-captures=kept",
    )
    result.assert_outcomes(failed=1)
    said = result.stdout.str()
    assert "Failed: failures is 3, at most 2 is allowed (pool test_kettle.py:" in said
    assert "assert_limits(" in said, "the line of the test"
    path = kept(result)
    assert path == pytester.path / "kept" / "test_kettle.test_kettle.idlehands"
    tasks = only_pool(path)["tasks"]
    assert (tasks["finished"], tasks["failed"]) == (8, 3)


@pytest.mark.extra
def test_a_test_that_fails_by_itself_keeps_its_capture_in_pytests_own_folder(outcome, pytester):
    result = outcome(
        """
def test_kettle(idlehands_pool):
    with ProcessPoolExecutor(2) as pool:
        assert list(pool.map(brew, range(6))) == []
""",
        f"--basetemp={pytester.path / 'base'}",
    )
    result.assert_outcomes(failed=1)
    path = kept(result)
    assert path.is_relative_to(pytester.path / "base")
    pool = only_pool(path)
    assert (pool["kind"], pool["tasks"]["finished"]) == ("process pool", 6)


@pytest.mark.extra
def test_pools_of_earlier_tests_are_not_in_the_record(outcome):
    result = outcome(
        """
import pytest
lasting = ThreadPoolExecutor(1)

def test_before(idlehands_pool):
    list(lasting.map(brew, range(30)))
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(brew, range(40)))

def test_kettle(idlehands_pool):
    list(lasting.map(brew, range(3)))
    (pool,) = idlehands_pool.reading().pools
    assert pool.tasks.finished == 3

def test_nothing(idlehands_pool):
    with pytest.raises(pytest.UsageError, match="no pool"):
        idlehands_pool.assert_limits("failures=0", pool="kiln")
"""
    )
    result.assert_outcomes(passed=3)


@pytest.mark.extra
def test_a_limit_that_does_not_exist_says_which_ones_do(outcome):
    result = outcome(
        """
def test_kettle(idlehands_pool):
    idlehands_pool.assert_limits("lazy=5%")
"""
    )
    result.assert_outcomes(failed=1)
    assert (
        "UsageError: no limit is called 'lazy': there are working, blocked" in result.stdout.str()
    )


@pytest.mark.extra
def test_findings_and_gains_can_be_limited(outcome):
    result = outcome(
        """
def test_kettle(idlehands_pool):
    with ThreadPoolExecutor(2) as pool:
        futures = [pool.submit(bad, n) for n in range(30)]
    idlehands_pool.assert_limits(no_finding="failing-tasks")
"""
    )
    result.assert_outcomes(failed=1)
    assert (
        "Failed: a finding that is not allowed (pool test_kettle.py:12): failing-tasks: "
        in result.stdout.str()
    )


def test_a_test_that_does_not_use_it_imports_neither_probe_nor_monitor(outcome):
    result = outcome(
        """
import sys

def test_plain(pytestconfig):
    assert "idlehands_monitor.pytest_plugin" in sys.modules
    ours = {name for name in sys.modules if name.startswith("idlehands")}
    assert ours == {"idlehands_monitor", "idlehands_monitor.pytest_plugin"}
    assert "numpy" not in sys.modules
    assert not pytestconfig.pluginmanager.has_plugin("idlehands-keeper")
"""
    )
    result.assert_outcomes(passed=1)


def test_a_probe_that_is_switched_off_is_said(outcome, monkeypatch):
    monkeypatch.setenv("IDLEHANDS", "off")
    result = outcome("def test_kettle(idlehands_pool):\n    pass\n")
    result.assert_outcomes(errors=1)
    assert "IDLEHANDS=off switches the probe off" in result.stdout.str()


def test_the_example_of_the_page_passes(outcome, pytester):
    page = (ROOT / "docs" / "checking-in-ci.md").read_text(encoding="utf-8")
    example = page.split("<!-- example test -->\n```python\n", 1)[1].split("```", 1)[0]
    outcome(example).assert_outcomes(passed=1)
