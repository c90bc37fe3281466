"""A kiln is emptied early: firings that have not begun are taken back."""

import threading
from concurrent.futures import CancelledError, ThreadPoolExecutor

from ending import kind, tell

door = threading.Event()


def fire(tile):
    door.wait()
    return tile


if __name__ == "__main__":
    with ThreadPoolExecutor(2, thread_name_prefix="kiln") as pool:
        firings = [pool.submit(fire, tile) for tile in range(30)]
        taken_back = sum(firing.cancel() for firing in firings[20:])
        door.set()
        fired = 0
        for firing in firings:
            try:
                firing.result()
                fired += 1
            except CancelledError:
                pass
        tell(cancelled=taken_back, fire=kind(fired))
