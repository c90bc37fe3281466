"""Tasks may be any objects: the probe names them without running a line of theirs."""

from __future__ import annotations

import functools
import importlib.util
import sys
import types

import pytest
from odd_things import ODD_THINGS
from plain_and_probed import both, probed

from idlehands._job_objects import stored_in
from idlehands._names import LONGEST_NAME, is_lasting, name_of
from idlehands.adapters import _calls, libraries

RAISING = """
import multiprocessing, queue, sys, threading, types
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing.pool import ThreadPool

class Raising:
    def __getattr__(self, name):
        if name.startswith("__") and "reduce" not in name and "state" not in name:
            raise RuntimeError(name)
        raise AttributeError(name)
    def __call__(self, number):
        return number + 1

class Module(types.ModuleType):
    def __getattr__(self, name):
        raise ImportError(name)

sys.modules["harbour"] = Module("harbour")

def of_a_module(number):
    return number + 2

if CALLED == "function":
    of_a_module.__module__ = "harbour"
call = Raising() if CALLED == "instance" else of_a_module

def serve(tasks, done):
    for _ in range(2):
        function, number = tasks.get()
        done.put(function(number))

if __name__ == "__main__":
    fork = multiprocessing.get_context("fork")
    if POOL == "ThreadPoolExecutor":
        with ThreadPoolExecutor(1) as pool:
            print([pool.submit(call, n).result(20) for n in range(2)])
    elif POOL == "ProcessPoolExecutor":
        with ProcessPoolExecutor(1, mp_context=fork) as pool:
            print([pool.submit(call, n).result(20) for n in range(2)])
    elif POOL == "Pool":
        with fork.Pool(1) as pool:
            print([pool.apply_async(call, (n,)).get(20) for n in range(2)])
    elif POOL == "ThreadPool":
        with ThreadPool(1) as pool:
            print([pool.apply_async(call, (n,)).get(20) for n in range(2)])
    else:
        tasks, done = queue.Queue(), queue.Queue()
        threading.Thread(target=serve, args=(tasks, done), daemon=True).start()
        for n in range(2):
            tasks.put((call, n))
        print([done.get(timeout=20) for _ in range(2)])
"""
POOLS = ("ThreadPoolExecutor", "ProcessPoolExecutor", "Pool", "ThreadPool", "queue")


@pytest.mark.parametrize("pool", POOLS)
def test_an_instance_whose_naming_would_raise_runs_all_the_same(pool, tmp_path):
    script = RAISING.replace("CALLED", "'instance'").replace("POOL", repr(pool))
    assert probed(tmp_path, script) == (0, "[1, 2]\n", "")


@pytest.mark.parametrize("pool", ["ThreadPoolExecutor", "ThreadPool", "queue"])
def test_a_function_of_a_module_that_raises_when_touched_runs_all_the_same(pool, tmp_path):
    script = RAISING.replace("CALLED", "'function'").replace("POOL", repr(pool))
    assert probed(tmp_path, script) == (0, "[2, 3]\n", "")


IN_THREADS = (
    ODD_THINGS
    + """
for name, call in CALLABLES.items():
    ran.clear()
    with ThreadPoolExecutor(1) as pool:
        for _ in range(2):
            future = pool.submit(call, 1)
            try:
                future.result(20)
            except TypeError as error:
                print(error)
    say(name + " in an executor")
    with ThreadPool(1) as pool:
        for run in (lambda: pool.apply(call, (1,)), lambda: pool.map(call, [1, 2])):
            try:
                run()
            except TypeError as error:
                print(error)
    say(name + " in a pool")
"""
)
IN_QUEUES = (
    ODD_THINGS
    + """
def serve():
    for _ in range(2):
        tasks.get()
        tasks.task_done()

for name, call in CALLABLES.items():
    for item in (call, (call, 1), Pair((call, 1)), [call]):
        tasks = queue.Queue()
        thread = threading.Thread(target=serve)
        thread.start()
        ran.clear()
        tasks.put(item)
        tasks.put(item)
        thread.join()
        say(name)
for item in (Thing(), Text("text"), Whole(4), Pair(()), Pair((Text("text"), Thing()))):
    tasks = queue.Queue()
    thread = threading.Thread(target=serve)
    thread.start()
    ran.clear()
    tasks.put(item)
    tasks.put(item)
    thread.join()
    say("data")
"""
)
IN_PROCESSES = (
    ODD_THINGS
    + """
if __name__ == "__main__":
    fork = multiprocessing.get_context("fork")
    # Python 3.15 compares this one's name with those of all modules there are, ours too.
    del CALLABLES["function named oddly"]
    for name, call in CALLABLES.items():
        ran.clear()
        with ProcessPoolExecutor(1, mp_context=fork) as pool:
            for run in (
                lambda: pool.submit(call, 1).result(20),
                lambda: list(pool.map(call, [1, 2], chunksize=2)),
            ):
                try:
                    run()
                except Exception as error:
                    print(type(error).__name__)
        say(name + " in an executor")
"""
)


@pytest.mark.parametrize(
    "script", [IN_THREADS, IN_QUEUES, IN_PROCESSES], ids=["threads", "queues", "processes"]
)
def test_the_same_lines_of_the_job_run_as_without_the_probe(script, tmp_path):
    plain, under_the_probe = both(tmp_path, script)
    assert plain.status == 0
    assert len(plain.output.splitlines()) >= 10
    assert under_the_probe == plain


def function():
    """Be a global of this module."""


class Pier:
    """Has methods of every sort."""

    def method(self):
        """Be a method."""

    @classmethod
    def of_class(cls):
        """Be a class method."""

    def __call__(self):
        """Be called."""

    class Inner:
        """Be inside."""


class Wrapper:
    """Bears the name of what it wraps."""

    def __init__(self, wrapped):
        functools.update_wrapper(self, wrapped)

    def __call__(self):
        """Be called."""


@functools.lru_cache
def cached():
    """Be a wrapper written in C."""


def decorated(inner):
    """Return a function that calls another one, as a decorator makes it."""

    @functools.wraps(inner)
    def around(*arguments):
        return inner(*arguments)

    return around


def decorating_itself():
    """Be made to."""


decorating_itself.__wrapped__ = decorating_itself

HERE = __name__


@pytest.mark.parametrize(
    ("callable_", "name"),
    [
        (function, f"{HERE}.function"),
        (lambda: None, f"{HERE}.<lambda>"),
        (Pier, f"{HERE}.Pier"),
        (Pier.Inner, f"{HERE}.Pier.Inner"),
        (Pier(), f"{HERE}.Pier"),
        (Pier().method, f"{HERE}.Pier.method"),
        (Pier.of_class, f"{HERE}.Pier.of_class"),
        (functools.partial(Pier().method), f"{HERE}.Pier.method"),
        (functools.partial(functools.partial(function)), f"{HERE}.function"),
        (cached, f"{HERE}.cached"),
        (Wrapper(function), f"{HERE}.function"),
        (Wrapper(functools.partial(function)), f"{HERE}.function"),
        (Wrapper(Wrapper(functools.partial(cached))), f"{HERE}.cached"),
        (decorated(decorated(function)), f"{HERE}.function"),
        (decorated(functools.partial(function)), f"{HERE}.function"),
        (decorated(functools.partial(Pier().method)), f"{HERE}.Pier.method"),
        (decorated(Pier()), f"{HERE}.Pier"),
        (functools.partial(decorated(functools.partial(function))), f"{HERE}.function"),
        (decorating_itself, f"{HERE}.decorating_itself"),
        (types.MethodType(Pier(), 3), f"{HERE}.Pier"),
        (abs, "builtins.abs"),
        (int, "builtins.int"),
        ([].append, "list.append"),
        ("".upper, "str.upper"),
        (str.upper, "str.upper"),
        ("".__len__, "str.__len__"),
        (dict.fromkeys, "dict.fromkeys"),
    ],
)
def test_a_task_is_called_by_the_qualified_name_of_its_callable(callable_, name):
    assert name_of(callable_) == name


def test_compiled_functions_of_cython_have_their_own_names():
    numpy_random = pytest.importorskip("numpy.random")
    generator = numpy_random.default_rng(0)
    assert name_of(generator.random) == "numpy.random._generator.Generator.random"
    assert name_of(numpy_random.default_rng) == "numpy.random.default_rng"


def test_functions_that_share_their_code_have_names_of_their_own():
    def wrapped(inner):
        @functools.wraps(inner)
        def around():
            return inner()

        return around

    names = [name_of(wrapped(inner)) for inner in (function, cached, function, Pier.method)]
    assert [name.rpartition(".")[2] for name in names] == [
        "function",
        "cached",
        "function",
        "method",
    ]


def test_functions_of_one_decorator_have_the_names_of_the_partials_they_decorate():
    inner = [functools.partial(function), functools.partial(cached), functools.partial(function)]
    names = [name_of(decorated(each)).rpartition(".")[2] for each in inner]
    assert names == ["function", "cached", "function"]


def test_what_a_decorator_claims_to_decorate_is_not_called_and_need_not_be_callable():
    def around():
        """Decorate nothing."""

    around.__wrapped__ = Loud("function")
    assert name_of(around).endswith("<locals>.around")


def test_a_function_that_joblib_would_cache_but_does_not_has_its_own_name():
    joblib = pytest.importorskip("joblib")
    assert name_of(joblib.Memory(None).cache(function)) == f"{HERE}.function"


@pytest.mark.parametrize("library", ["loky", "joblib"])
def test_a_function_that_is_pickled_by_value_has_its_own_name(library):
    module = pytest.importorskip(library)
    assert name_of(module.wrap_non_picklable_objects(function)) == f"{HERE}.function"


def test_classes_made_one_after_the_other_are_not_taken_for_each_other():
    for number in range(200):
        made = type(f"Berth{number}", (), {"__call__": lambda self: None})
        assert name_of(made()).endswith(f".Berth{number}")
        del made


def test_a_partial_that_contains_itself_is_called_by_its_type():
    around = functools.partial(function)
    around.__setstate__((around, (), {}, {}))
    assert name_of(around) == "functools.partial"


class Loud(str):
    """Text that must not be asked for anything."""

    def __getattribute__(self, name):
        raise RuntimeError(name)

    def __format__(self, _specification):
        raise RuntimeError

    __str__ = __repr__ = __hash__ = __eq__ = __len__ = __format__


def test_names_that_are_odd_texts_are_taken_as_plain_ones():
    def odd():
        """Be named oddly."""

    odd.__module__, odd.__qualname__ = Loud("harbour"), Loud("odd")
    assert type(name_of(odd)) is str
    assert name_of(odd) == "harbour.odd"
    assert not is_lasting(odd)


def test_a_name_can_be_written_and_is_not_without_bound():
    def long():
        """Have a long name."""

    long.__qualname__ = "\ud800" + "x" * 1000
    long.__module__ = None
    assert name_of(long) == "?" + "x" * (LONGEST_NAME - 1)


def test_a_module_that_loads_itself_when_touched_stays_unloaded(tmp_path, monkeypatch):
    (tmp_path / "lazily.py").write_text("raise RuntimeError('touched')")
    monkeypatch.syspath_prepend(str(tmp_path))
    specification = importlib.util.find_spec("lazily")
    loader = importlib.util.LazyLoader(specification.loader)
    specification.loader = loader
    module = importlib.util.module_from_spec(specification)
    monkeypatch.setitem(sys.modules, "lazily", module)
    loader.exec_module(module)

    def submitted():
        """Be of the lazy module."""

    submitted.__module__ = "lazily"
    assert name_of(submitted).startswith("lazily.")
    assert not is_lasting(submitted)
    assert type(module) is not types.ModuleType, "it was loaded"


@pytest.mark.parametrize(
    ("thing", "lasts"),
    [
        (function, True),
        (Pier, True),
        (abs, True),
        (int, True),
        (Pier.method, False),
        (Pier().method, False),
        (Pier(), False),
        (lambda: None, False),
        ([].append, False),
        (functools.partial(function), False),
    ],
)
def test_a_callable_that_its_module_holds_anyway_is_lasting(thing, lasts):
    assert is_lasting(thing) is lasts


def test_a_function_that_has_been_replaced_in_its_module_does_not_last():
    def pretender():
        """Say that it is another."""

    pretender.__qualname__ = "function"
    assert not is_lasting(pretender)


class Silent:
    """Claims to be of a library, and must not be asked for anything."""

    def __getattribute__(self, name):
        raise RuntimeError(name)

    __hash__ = __eq__ = __len__ = __iter__ = __getitem__ = __call__ = __getattribute__

    @property
    def func(self):
        """Be a function, as a node of a graph has it."""
        raise RuntimeError("func")

    args = payload = func


Silent.__module__ = "dask.silent"


class Slotted:
    """Has a slot with nothing in it."""

    __slots__ = ("func",)


def test_what_claims_to_be_of_a_library_is_not_asked():
    silent = Silent()
    node = silent, {}
    for inside in (libraries._in_dask_batch(([("key", node, None)],)), name_of(silent)):
        assert inside in (Silent, "dask.silent.Silent")
    assert libraries._in_dask_batch(([("key", (((silent, 1), {})))],)) is silent
    assert libraries._in_pebble_task(silent) is None


@pytest.mark.parametrize(
    "arguments",
    [None, (), ([],), ([3],), ([()],), ([("key",)],), ([("key", b"pickled")],), ([("key", ())],)],
)
def test_a_batch_of_another_shape_is_called_by_the_function_that_runs_it(arguments, monkeypatch):
    monkeypatch.setitem(_calls.wrappers, id(function), (function, libraries._in_dask_batch))
    called = _calls.in_call(function, arguments)
    assert name_of(called) == f"{HERE}.function"
    assert not is_lasting(called), "the next batch may be another one"


def test_an_attribute_is_read_from_the_slot_or_the_dictionary_that_has_it():
    slotted, pier = Slotted(), Pier()
    assert stored_in(slotted, "func") is None
    slotted.func, pier.func = 3, 4
    assert (stored_in(slotted, "func"), stored_in(pier, "func")) == (3, 4)
    assert stored_in(Silent(), "func") is None
