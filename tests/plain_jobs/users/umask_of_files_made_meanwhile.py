"""Files that one thread makes while another hands in its first task have the program's own mode."""

# /// job
# rounds = ["1", "2", "3"]
# ///
import os
import threading
from concurrent.futures import ThreadPoolExecutor

os.umask(0o002)
stop = threading.Event()
modes = set()


def make():
    while not stop.is_set():
        descriptor = os.open("made", os.O_CREAT | os.O_WRONLY, 0o666)
        modes.add(oct(os.fstat(descriptor).st_mode & 0o777))
        os.close(descriptor)
        os.unlink("made")


thread = threading.Thread(target=make)
thread.start()
for _ in range(20):
    with ThreadPoolExecutor(1) as pool:
        pool.submit(abs, -1).result()
stop.set()
thread.join()
print(modes)
