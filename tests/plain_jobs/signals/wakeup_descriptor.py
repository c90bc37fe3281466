"""A program reads its signals from the descriptor of set_wakeup_fd."""

import os
import signal
import socket
from concurrent.futures import ThreadPoolExecutor

ours, theirs = socket.socketpair()
theirs.setblocking(False)
print(signal.set_wakeup_fd(theirs.fileno()))
signal.signal(signal.SIGUSR1, lambda number, frame: None)
signal.signal(signal.SIGUSR2, lambda number, frame: None)
with ThreadPoolExecutor(2) as pool:
    for number in (signal.SIGUSR1, signal.SIGUSR2, signal.SIGUSR1):
        pool.submit(os.kill, os.getpid(), number).result()
        print(list(ours.recv(1)))
print(signal.set_wakeup_fd(-1) == theirs.fileno())
