"""A ticket office: a loop hands calls to its own threads, at most six at a time."""

import asyncio
import functools
import time
from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell


def print_ticket(seat, *, row):
    time.sleep(0.001)
    return row, seat


async def sell(pool, limit, seat):
    async with limit:
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(pool, functools.partial(print_ticket, seat, row=seat % 9))


async def sell_all():
    limit = asyncio.Semaphore(6)
    with ThreadPoolExecutor(3, thread_name_prefix="ticket office") as pool:
        sold = await asyncio.gather(*(sell(pool, limit, seat) for seat in range(54)))
        tell(print_ticket=kind(len(sold)))


if __name__ == "__main__":
    asyncio.run(sell_all())
