"""No test of the monitor fails on time: a busy machine makes any example slow."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
