"""An asyncio program with queues, subprocesses and a signal handler, that ends by SIGTERM."""

import asyncio
import os
import signal
import sys


async def serve(tasks, done):
    while True:
        done.append(await asyncio.to_thread(abs, await tasks.get()))
        tasks.task_done()


async def main():
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    loop.add_signal_handler(signal.SIGTERM, stop.set)
    tasks, done = asyncio.Queue(), []
    servers = [asyncio.create_task(serve(tasks, done)) for _ in range(3)]
    for number in range(-20, 0):
        tasks.put_nowait(number)
    await tasks.join()
    process = await asyncio.create_subprocess_exec(sys.executable, "-c", "print(7)", stdout=-1)
    print((await process.communicate())[0], sorted(done))
    os.kill(os.getpid(), signal.SIGTERM)
    await stop.wait()
    for server in servers:
        server.cancel()
    await asyncio.gather(*servers, return_exceptions=True)


asyncio.run(main())
