"""Adapters: how pools that know nothing of idlehands are probed, one module a pool.

An adapter is a module with the functions of `Adapter`. `install` has each adapter hook its pool's
module: at once if the module is loaded, otherwise when it is. So a job pays for no adapter that it
does not use. An adapter hooks its pool at as few places as possible. Each is a name that the pool
looks up each time: a queue that it stores, a method that it calls. A pool that an adapter does not
recognise is left alone, with one warning. Each adapter records through a `SharedPool`, see
`_shared`.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence
from importlib.machinery import ModuleSpec
from types import ModuleType
from typing import Any, Protocol

from .._notes import warn
from .._process import is_off, on_arrival, prepare
from .._shared_worker import notice_deaths

ADAPTERS = {
    "concurrent.futures.thread": "thread_pool",
    "concurrent.futures.process": "process_pool",
    "multiprocessing.pool": "multiprocessing_pool",
    "multiprocess.pool": "multiprocess",
    "loky.process_executor": "loky",
    "joblib.externals.loky.process_executor": "loky",
    "queue": "queue_threads",
    "dask.local": "libraries",
    "pebble.pool.thread": "libraries",
    "pebble.pool.process": "external",
    "mpire.pool": "external",
    "billiard.pool": "external",
}
"""The module to hook, by the adapter that knows it."""
AT_ONCE = ("queue_threads", "thread_pool")
"""Adapters that need nothing but what every program has: loaded before a job can see it."""


class Adapter(Protocol):
    """What every adapter module offers."""

    def unfamiliar(self, module: Any) -> str:
        """Return how `module` differs from the code that the adapter knows, empty where it does
        not."""

    def hook(self, module: Any) -> None:
        """Put the hooks in place; pools that exist already are probed where that can be."""


class _Watch:
    """Hooks modules at their import: it is the first finder, and asks the others for the spec."""

    def __init__(self) -> None:
        self.waiting: set[str] = set()

    def find_spec(
        self, name: str, path: Sequence[str] | None = None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """Return the spec that the other finders have for a module to be hooked."""
        if type(name) is not str or name not in self.waiting:
            return None
        self.waiting.discard(name)
        for finder in sys.meta_path:
            find = getattr(finder, "find_spec", None)
            spec: ModuleSpec | None = None
            if finder is not self and find is not None:
                spec = find(name, path, target)
            if spec is not None:
                if spec.loader is not None and hasattr(spec.loader, "exec_module"):
                    spec.loader = _ThenHook(spec.loader)  # type: ignore[assignment]
                return spec
        self.waiting.add(name)
        return None


class _ThenHook:
    """A loader that hooks the module once the real one has filled it, and then steps aside."""

    def __init__(self, loader: Any) -> None:
        self._loader = loader

    def __getattr__(self, name: str) -> Any:
        return getattr(self._loader, name)

    def create_module(self, spec: ModuleSpec) -> ModuleType | None:
        """Make the module as the real loader does."""
        module: ModuleType | None = self._loader.create_module(spec)
        return module

    def exec_module(self, module: ModuleType) -> None:
        """Fill the module, then hook it."""
        if module.__spec__ is not None:
            module.__spec__.loader = self._loader
        module.__loader__ = self._loader
        self._loader.exec_module(module)
        _hook(module)


_watch = _Watch()
_hooked: set[str] = set()


def install() -> None:
    """Probe the pools of this process: those of the standard library, loky's and joblib's.

    Thread pools and queues in use are probed from their next task on; of worker processes only
    those that start from now on. Calling it again does nothing more. With ``IDLEHANDS=off`` in
    the environment it does nothing at all.
    """
    if is_off():
        return
    prepare()
    for adapter in AT_ONCE:
        importlib.import_module(f".{adapter}", __name__)
    notice_deaths()
    if all(finder is not _watch for finder in sys.meta_path):
        sys.meta_path.insert(0, _watch)
    for name in ADAPTERS:
        if name in _hooked:
            continue
        module = sys.modules.get(name)
        if module is not None:
            _hook(module)
        else:
            _watch.waiting.add(name)


def _hook(module: ModuleType) -> None:
    name = module.__name__
    if name in _hooked:
        return
    _hooked.add(name)
    try:
        adapter: Any = importlib.import_module(f".{ADAPTERS[name]}", __name__)
        reason = adapter.unfamiliar(module)
        if not reason:
            adapter.hook(module)
    except Exception as error:
        reason = repr(error)
    if reason:
        warn("pools of %s are not probed: %s", name, reason)


on_arrival(install)  # a worker process can have pools of its own
