"""A program puts finders and hooks of its own into the import system, and sees what they are
asked.
"""

import sys

asked = []


class Finder:
    def find_spec(self, name, path=None, target=None):
        asked.append(name)
        return None


sys.meta_path.insert(0, Finder())
import concurrent.futures.thread
import queue
import wave

with concurrent.futures.ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result())
print([name for name in asked if "idlehands" in name or "msgpack" in name])
print(
    concurrent.futures.thread.__loader__.__class__.__name__,
    queue.__spec__.loader is queue.__loader__,
)
