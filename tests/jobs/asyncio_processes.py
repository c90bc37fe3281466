"""A star catalogue is reduced by processes that a loop waits for."""

import asyncio
from concurrent.futures import ProcessPoolExecutor

from ending import kind, tell


def reduce_field(field):
    return sum(range(field))


async def reduce_all():
    loop = asyncio.get_running_loop()
    with ProcessPoolExecutor(2) as pool:
        calls = [loop.run_in_executor(pool, reduce_field, field) for field in range(36)]
        fields = await asyncio.gather(*calls)
        tell(reduce_field=kind(len(fields)))


if __name__ == "__main__":
    asyncio.run(reduce_all())
