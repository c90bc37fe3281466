"""Fixtures for every test: a socket folder of the tests' own, and no colour settings."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

# No test fails on time: a machine that has other things to do is no fault of the code.
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")

SETTINGS = ("NO_COLOR", "TEXTUAL_THEME", "COLUMNS", "LINES", "IDLEHANDS", "IDLEHANDS_STRICT")
"""What of a user's environment changes what is shown, and how large the screen is."""


@pytest.fixture(autouse=True, scope="session")
def own_surroundings(tmp_path_factory):
    """Keep the tests' pools out of the user's folder, and the user's settings out of the tests."""
    kept = dict(os.environ)
    folder = tmp_path_factory.mktemp("sockets")
    folder.chmod(0o700)
    for name in SETTINGS:
        os.environ.pop(name, None)
    os.environ["IDLEHANDS_DIR"] = str(folder)
    yield
    os.environ.clear()
    os.environ.update(kept)
