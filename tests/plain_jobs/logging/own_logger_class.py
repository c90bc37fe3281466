"""A program with its own class of loggers, that raises for names it does not know."""

# /// job
# refused = true
# ///
import logging
from concurrent.futures import ThreadPoolExecutor


class Own(logging.Logger):
    def __init__(self, name, level=0):
        if not name.startswith(("job", "concurrent", "asyncio")):
            raise ValueError(f"no logger {name} here")
        super().__init__(name, level)


logging.setLoggerClass(Own)
with ThreadPoolExecutor(1) as pool:
    print(list(pool.map(abs, range(-3, 0))))
logging.getLogger("job").warning("end")
