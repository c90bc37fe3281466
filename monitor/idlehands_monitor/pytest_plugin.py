"""The fixture `idlehands_pool`: records the pools of a test, and holds them to limits.

pytest imports this module at its start, whether a test asks for the fixture or not. So it imports
neither the probe nor the monitor, and has no hook for every test, until a test asks. The pools are
recorded by a process of its own; in the test's process only the probe runs.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Generator, Iterable

    from .model.limits import LimitReading
    from .model.reading import Reading

OPTION = "--idlehands-captures"
RECORDER = (sys.executable, "-P", "-m", "idlehands_monitor.session.record_process")
OLDEST_PYTHON = (3, 11)
END_SECONDS = 20.0
"""The longest that the recording process may take to end; it needs about a quarter of a second."""
LONGEST_NAME = 80
NEEDS = "the fixture idlehands_pool needs Python 3.11 and idlehands[monitor]"
SWITCHED_OFF = "IDLEHANDS=off switches the probe off, so no pool of this test is recorded"
NO_POOL = "no pool ran a task in this test"
KEEPER = "idlehands-keeper"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option for the folder of captures."""
    parser.getgroup("idlehands").addoption(
        OPTION,
        metavar="FOLDER",
        help="keep the captures of failed tests that use idlehands_pool in FOLDER "
        "(otherwise in pytest's own temporary folder)",
    )


class PoolRecord:
    """The pools that a test uses while it has the fixture.

    path: of the capture, which is complete once `stop`, `reading` or `assert_limits` was called.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._process: subprocess.Popen[str] | None = None
        self._began_ns = time.monotonic_ns()
        self._readings: dict[bool, Reading] = {}

    def start(self) -> None:
        """Install the probe and begin to record. Raises pytest.UsageError where that cannot be."""
        if sys.version_info < OLDEST_PYTHON:
            raise pytest.UsageError(NEEDS)
        if os.environ.get("IDLEHANDS", "").lower() in ("off", "0", "no"):
            raise pytest.UsageError(SWITCHED_OFF)
        import idlehands

        idlehands.install()
        self._process = subprocess.Popen(
            [*RECORDER, str(os.getpid()), str(self.path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout is not None  # noqa: S101 - a pipe was asked for
        said = self._process.stdout.readline().strip()
        if said != "ready":
            _, errors = self._process.communicate()
            last = (said or errors.strip()).splitlines()
            raise pytest.UsageError(f"{NEEDS}: {last[-1] if last else 'no reason given'}")

    def stop(self) -> None:
        """End the record: what pools do from now on is not part of it."""
        process, self._process = self._process, None
        if process is None:
            return
        try:
            process.communicate(timeout=END_SECONDS)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()

    def reading(self, *, causes: bool = False) -> Reading:
        """End the record and return its reading.

        causes: whether changes are simulated, so that findings are causes with gains; that takes
        seconds.
        """
        self.stop()
        if causes not in self._readings:
            from .session.opening import read_capture

            self._readings[causes] = read_capture(str(self.path), causes=causes)[1]
        return self._readings[causes]

    def assert_limits(
        self,
        *limits: str,
        no_finding: str | Iterable[str] = (),
        gain_below: str | None = None,
        pool: str = "",
    ) -> None:
        """End the record, and fail the test with the broken limits named, one a line.

        limits: such as "starved=5%" and "wait_p95=50ms", as `idlehands check` takes them.
        no_finding: codes of findings that no pool may have. gain_below: such as "10%". pool: only
        this pool. Raises pytest.UsageError for a limit that does not exist.
        """
        __tracebackhide__ = True
        broken = [
            one for one in self._judged(limits, no_finding, gain_below, pool) if not one.holds
        ]
        if broken:
            from .views.sections.check import sentence

            pytest.fail("\n".join(map(sentence, broken)))

    def _judged(
        self,
        limits: Iterable[str],
        no_finding: str | Iterable[str],
        gain_below: str | None,
        pool: str,
    ) -> tuple[LimitReading, ...]:
        from .commands.limits import limits_of
        from .model.errors import CommandError
        from .session.checking import checked

        codes = (no_finding,) if isinstance(no_finding, str) else no_finding
        try:
            asked = limits_of(limits, codes, gain_below, pool)
            self.stop()
            reading, found = checked(str(self.path), asked)
        except CommandError as error:
            raise pytest.UsageError(str(error)) from error
        # Without a pool of its own a capture shows the pools before it.
        if all(one.end_ns <= self._began_ns for one in reading.pools):
            raise pytest.UsageError(NO_POOL)
        return found


class Keeper:
    """Marks tests whose record is to be kept; registered with the first one that is recorded."""

    record = pytest.StashKey[PoolRecord]()
    failed = pytest.StashKey[bool]()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(
        self, item: pytest.Item, call: pytest.CallInfo[None]
    ) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        """Note the failure of a test, and say in its report where its capture is."""
        report = yield
        if report.failed and call.when != "teardown" and self.record in item.stash:
            item.stash[self.failed] = True
            path = item.stash[self.record].path
            report.sections.append(("idlehands", f"the pools of this test: {path}"))
        return report


@pytest.fixture
def idlehands_pool(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Generator[PoolRecord, None, None]:
    """Record the pools of this test.

    The capture of a test that fails is kept, in the folder that `--idlehands-captures` names or in
    pytest's own temporary folder; the report of the test says where.
    """
    manager = request.config.pluginmanager
    if not manager.has_plugin(KEEPER):
        manager.register(Keeper(), KEEPER)
    record = PoolRecord(_path_of(request, tmp_path_factory))
    record.start()
    request.node.stash[Keeper.record] = record
    yield record
    record.stop()
    if not request.node.stash.get(Keeper.failed, False):
        record.path.unlink(missing_ok=True)


def _path_of(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a new file for a test's capture."""
    test = f"{request.path.stem}.{request.node.name}"  # of one module: it runs in one process
    name = re.sub(r"[^\w.-]+", "_", test)[:LONGEST_NAME]
    chosen = request.config.getoption(OPTION)
    if not chosen:
        return tmp_path_factory.mktemp("idlehands") / f"{name}.idlehands"
    folder = Path(request.config.invocation_params.dir, chosen)
    folder.mkdir(parents=True, exist_ok=True)
    taken = (folder / f"{name}{number}.idlehands" for number in ("", *range(2, 1000)))
    return next(path for path in taken if not path.exists())
