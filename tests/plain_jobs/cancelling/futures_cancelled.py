"""Futures are cancelled while queued, running and done: states and callbacks are the usual ones."""

import threading
from concurrent.futures import CancelledError, ThreadPoolExecutor, wait

go_on, inside = threading.Event(), threading.Event()


def block():
    inside.set()
    go_on.wait()
    return "done"


said = []
with ThreadPoolExecutor(1) as pool:
    running = pool.submit(block)
    inside.wait()
    queued = [pool.submit(abs, -n) for n in range(6)]
    for future in queued:
        future.add_done_callback(lambda future: said.append(future.cancelled()))
    print([future.cancel() for future in queued[::2]], running.cancel())
    go_on.set()
    wait([running, *queued])
    print(running.result(), [future.cancelled() for future in queued], said)
    try:
        queued[0].result()
    except CancelledError as error:
        print(repr(error))
    print(queued[1].cancel(), [future._state for future in queued])
