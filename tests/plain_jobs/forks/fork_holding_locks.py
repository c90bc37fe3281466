"""A fork while a worker writes log lines all the time: the child logs too."""

import logging
import os
import threading
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
logging.basicConfig(filename="log", level=logging.INFO, format="%(message)s")
stop = threading.Event()


def chatter():
    while not stop.is_set():
        logging.debug("unseen")
        stop.wait(0.0001)


with ThreadPoolExecutor(2) as pool:
    pool.submit(chatter)
    for number in range(20):
        child = os.fork()
        if child == 0:
            logging.info("child %d", number)
            os._exit(0)
        assert os.waitpid(child, 0)[1] == 0
    stop.set()
with open("log") as file:
    print(file.read())
