"""Seeded random numbers, hashes and time zones are what they are without a probe."""

# /// job
# environment = { PYTHONHASHSEED = "7", TZ = "Asia/Tokyo" }
# ///
import random
import time
import uuid
from concurrent.futures import ThreadPoolExecutor

random.seed(3)
with ThreadPoolExecutor(1) as pool:
    print(pool.submit(random.random).result(), random.getstate()[1][:3])
print(hash("text"), time.tzname, uuid.UUID(int=random.getrandbits(128)))
