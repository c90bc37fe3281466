"""The probe's tests under every interpreter from Python 3.9 to 3.15 that this machine has::

    .venv/bin/nox -f tests/noxfile.py

Interpreters are looked for on the PATH and where pyenv keeps them; those missing are named.
"""

from __future__ import annotations

import os
import sys

import nox

ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
sys.path.insert(0, os.path.join(ROOT, "tests"))

from check import SIDE_BY_SIDE  # noqa: E402 - found by the line above
from pythons import VERSIONS, find, folders  # noqa: E402

nox.options.error_on_missing_interpreters = False
nox.options.reuse_existing_virtualenvs = True
nox.options.envdir = os.path.join(ROOT, ".nox")
os.environ["PATH"] = os.pathsep.join(folders())


@nox.session(python=VERSIONS)
def probe(session: nox.Session) -> None:
    """Run the probe's tests with what the probe and its pools need, and nothing else."""
    session.chdir(ROOT)
    session.install("-q", "-e", ".[probe-test]")
    session.run("python", "-m", "pytest", "-q", *SIDE_BY_SIDE, "tests/probes", *session.posargs)


@nox.session(python=False)
def missing(session: nox.Session) -> None:
    """Say which of the interpreters this machine does not have."""
    absent = [version for version in VERSIONS if find(version) is None]
    session.log(f"interpreters missing here: {', '.join(absent) or 'none'}")
