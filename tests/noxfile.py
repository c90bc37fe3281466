"""The probe's tests under every interpreter from Python 3.9 to 3.13 that this machine has::

    .venv/bin/nox -f tests/noxfile.py

Interpreters are looked for on the PATH and where pyenv keeps them; those missing are named.
"""

from __future__ import annotations

import glob
import os
import sys

import nox

VERSIONS = ("3.9", "3.10", "3.11", "3.12", "3.13")
ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))

nox.options.error_on_missing_interpreters = False
nox.options.reuse_existing_virtualenvs = True
nox.options.envdir = os.path.join(ROOT, ".nox")

pyenv = os.environ.get("PYENV_ROOT") or os.path.expanduser("~/.pyenv")
found = sorted(glob.glob(os.path.join(pyenv, "versions", "*", "bin")))
# In front of pyenv's own shims, which exist for every version but work for the chosen ones only.
os.environ["PATH"] = os.pathsep.join([*found, os.environ.get("PATH", "")])


@nox.session(python=VERSIONS)
def probe(session: nox.Session) -> None:
    """Run the probe's tests with what the probe and its pools need, and nothing else."""
    session.chdir(ROOT)
    session.install("-q", "-e", ".[probe-test]")
    session.run("python", "-m", "pytest", "-q", "tests/probes", *session.posargs)


@nox.session(python=False)
def missing(session: nox.Session) -> None:
    """Say which of the interpreters this machine does not have."""
    absent = [version for version in VERSIONS if not _is_there(version)]
    session.log(f"interpreters missing here: {', '.join(absent) or 'none'}")


def _is_there(version: str) -> bool:
    if version == ".".join(map(str, sys.version_info[:2])):
        return True
    folders = os.environ["PATH"].split(os.pathsep)
    return any(os.access(os.path.join(folder, f"python{version}"), os.X_OK) for folder in folders)
