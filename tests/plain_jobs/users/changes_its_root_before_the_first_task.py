"""A program changes its root folder before its first task."""

# /// job
# root = true
# ///
import os
import queue
import threading
from concurrent.futures import ThreadPoolExecutor

os.mkdir("root")
os.chroot("root")
os.chdir("/")
with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(abs, range(-3, 0))), os.listdir("/"))
jobs, done = queue.Queue(), []
thread = threading.Thread(target=lambda: done.append(jobs.get()))
thread.start()
jobs.put(3)
thread.join()
print(done)
