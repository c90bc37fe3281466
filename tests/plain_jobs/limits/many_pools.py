"""A thousand thread pools are open at once, then closed."""

from concurrent.futures import ThreadPoolExecutor

pools = [ThreadPoolExecutor(1, thread_name_prefix=f"pool{number}") for number in range(1000)]
print(sum(pool.submit(abs, -1).result() for pool in pools))
for pool in pools:
    pool.shutdown()
print("closed")
