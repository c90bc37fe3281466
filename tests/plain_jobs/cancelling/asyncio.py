"""asyncio cancels, awaits and times out what runs in threads and in processes."""

import asyncio
import threading
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

go_on = threading.Event()


def block():
    go_on.wait()
    return 1


async def main():
    loop = asyncio.get_running_loop()
    print(await asyncio.to_thread(abs, -1), await loop.run_in_executor(None, abs, -2))
    waiting = asyncio.create_task(asyncio.to_thread(block))
    await asyncio.sleep(0.01)
    waiting.cancel()
    try:
        await waiting
    except asyncio.CancelledError:
        print("cancelled")
    try:
        await asyncio.wait_for(asyncio.to_thread(block), 0.05)
    except asyncio.TimeoutError:
        print("timed out")
    go_on.set()
    with ThreadPoolExecutor(1) as own, ProcessPoolExecutor(1) as processes:
        print(await asyncio.gather(*(loop.run_in_executor(own, abs, -n) for n in range(5))))
        print(await asyncio.gather(*(loop.run_in_executor(processes, abs, -n) for n in range(5))))
        late = loop.run_in_executor(processes, time.sleep, 0.1)
        late.cancel()
    print(late.cancelled())


if __name__ == "__main__":
    asyncio.run(main())
