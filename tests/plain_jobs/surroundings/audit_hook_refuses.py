"""An audit hook refuses sockets, as a sandbox does: the program goes on."""

import sys
from concurrent.futures import ThreadPoolExecutor


def hook(event, arguments):
    if event.startswith("socket."):
        raise PermissionError("no sockets here")


sys.addaudithook(hook)
with ThreadPoolExecutor(1) as pool:
    print(list(pool.map(abs, range(-3, 0))))
