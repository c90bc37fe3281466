"""sys.exit while tasks are running and queued: they are worked off first."""

import sys
import time
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(1)
done = [pool.submit(time.sleep, 0.02) for _ in range(5)]
done[-1].add_done_callback(lambda _: print("last one done", flush=True))
sys.exit(5)
