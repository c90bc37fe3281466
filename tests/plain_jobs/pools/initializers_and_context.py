"""Initializers, thread locals, names of threads and context variables are as they were."""

import contextvars
import threading
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

local = threading.local()
variable = contextvars.ContextVar("variable", default="none")
initialised = []


def start(value):
    local.value = value
    initialised.append(threading.current_thread().name)


def work():
    return local.value, threading.current_thread().name, variable.get()


if __name__ == "__main__":
    variable.set("main")
    with ThreadPoolExecutor(1, "named", start, (5,)) as pool:
        print(pool.submit(work).result(), initialised)
        print(pool.submit(contextvars.copy_context().run, work).result())
        print(threading.active_count(), sorted(thread.name for thread in threading.enumerate()))
    with ProcessPoolExecutor(1, initializer=start, initargs=(6,)) as pool:
        print(pool.submit(work).result())
    print(threading.active_count(), threading.main_thread() is threading.current_thread())
