"""A choir waits for its leader: singers wait on a condition that comes twenty times."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor, wait

from ending import kind, tell, wait_until_watched

bar = threading.Condition()
beats = 0


def sing(verse):
    with bar:
        bar.wait_for(lambda: beats > verse)
    return verse


if __name__ == "__main__":
    with ThreadPoolExecutor(4, thread_name_prefix="choir") as pool:
        pool.submit(sing, -1).result()
        wait_until_watched()
        verses = [pool.submit(sing, verse) for verse in range(20) for _ in range(4)]
        for _ in range(20):
            time.sleep(0.25)
            with bar:
                beats += 1
                bar.notify_all()
        wait(verses)
        tell(sing=kind(len(verses) + 1), truth={"sing": ["blocked", "lock"]})
