"""A lighthouse logs sightings from a loop that must not block."""

import asyncio
import time

from ending import kind, tell


def log_sighting(ship):
    time.sleep(0.002)
    return ship


async def keep_watch():
    ships = await asyncio.gather(*(asyncio.to_thread(log_sighting, n) for n in range(40)))
    tell(log_sighting=kind(len(ships)))


if __name__ == "__main__":
    asyncio.run(keep_watch())
