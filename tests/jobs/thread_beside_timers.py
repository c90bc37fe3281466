"""A greenhouse waters beds with a pool, while a timer and a daemon thread look at the weather."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell

weather = {"looks": 0}


def look_at_weather():
    while True:
        weather["looks"] += 1
        time.sleep(0.01)


def water(bed):
    time.sleep(0.002)
    return bed


if __name__ == "__main__":
    threading.Thread(target=look_at_weather, name="weather", daemon=True).start()
    rain = threading.Timer(0.05, weather.update, kwargs={"rain": True})
    rain.start()
    with ThreadPoolExecutor(2, thread_name_prefix="watering") as pool:
        watered = list(pool.map(water, range(40)))
    rain.join()
    tell(water=kind(len(watered)))
