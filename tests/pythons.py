"""The Pythons that the probe promises to run under, and where this machine has them.

They are searched in pyenv's folder, then on the PATH. `tests/newer_pythons.sh` unpacks the newest.
"""

from __future__ import annotations

import functools
import glob
import os
import shutil
import subprocess
import sys

VERSIONS = ("3.9", "3.10", "3.11", "3.12", "3.13", "3.14", "3.15")
ASK = "import sys; print('%d.%d' % sys.version_info[:2])"


def folders() -> list[str]:
    """Return the folders to look in, the best first.

    Pyenv's own come in front of its shims, which exist for every version but work for some only.
    """
    pyenv = os.environ.get("PYENV_ROOT") or os.path.expanduser("~/.pyenv")
    found = sorted(glob.glob(os.path.join(pyenv, "versions", "*", "bin")))
    return [*found, *os.environ.get("PATH", "").split(os.pathsep)]


@functools.cache
def find(version: str) -> str | None:
    """Return the interpreter of a version, the running one if it is that; None if there is none."""
    if version == "{}.{}".format(*sys.version_info[:2]):
        return sys.executable
    for folder in folders():
        path = shutil.which(f"python{version}", path=folder)
        if path is None:
            continue
        answer = subprocess.run([path, "-c", ASK], capture_output=True, text=True, check=False)
        if answer.stdout.strip() == version:
            return path
    return None
