"""A program forbids itself sockets by replacing their class, as test helpers do."""

import socket
from concurrent.futures import ThreadPoolExecutor


class Forbidden(socket.socket):
    def __new__(cls, *given, **keywords):
        raise RuntimeError("no sockets here")


real, socket.socket = socket.socket, Forbidden
with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(abs, range(-3, 0))))
socket.socket = real
