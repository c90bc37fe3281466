"""Process pools of both sorts are made again and again at one place, with pauses in between."""

import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import Pool
from warnings import simplefilter

simplefilter("ignore")
if __name__ == "__main__":
    for _ in range(4):
        with ProcessPoolExecutor(2) as pool:
            print(list(pool.map(abs, range(-3, 0))))
        with Pool(2) as pool:
            print(pool.map(abs, range(-3, 0)))
            pool.close()
            pool.join()
        time.sleep(0.7)
