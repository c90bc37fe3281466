"""Code in a subinterpreter uses a thread pool and a queue of its own."""

from concurrent.futures import ThreadPoolExecutor

try:
    import _interpreters as interpreters
except ImportError:
    import _xxsubinterpreters as interpreters

SCRIPT = """
from concurrent.futures import ThreadPoolExecutor
import queue, threading
with ThreadPoolExecutor(1) as pool:
    value = pool.submit(abs, -1).result()
jobs = queue.Queue()
thread = threading.Thread(target=jobs.get)
thread.start()
jobs.put(1)
thread.join()
with open("written", "w") as file:
    file.write(str(value))
"""
with ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result())
    identity = interpreters.create()
    print(interpreters.run_string(identity, SCRIPT))
    interpreters.destroy(identity)
    print(pool.submit(abs, -2).result())
