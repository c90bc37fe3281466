"""Futures made, set and waited for by the program itself, and work items of its own."""

import threading
from concurrent.futures import Future, InvalidStateError, ThreadPoolExecutor

future = Future()
threading.Timer(0.02, future.set_result, (5,)).start()
print(future.result(5), future.set_running_or_notify_cancel if False else future.done())
try:
    future.set_result(6)
except InvalidStateError:
    print("InvalidStateError")


class Eager(ThreadPoolExecutor):
    def submit(self, function, /, *arguments, **keywords):
        if function is abs:
            done = Future()
            done.set_result(function(*arguments, **keywords))
            return done
        return super().submit(function, *arguments, **keywords)


with Eager(1) as pool:
    print(pool.submit(abs, -3).result(), pool.submit(max, 1, 2).result(), list(pool.map(abs, [-1])))
