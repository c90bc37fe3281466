"""multiprocessing logs to standard error what it does, at its info level."""

import logging
import multiprocessing

if __name__ == "__main__":
    multiprocessing.log_to_stderr(logging.INFO).handlers[0].setFormatter(
        logging.Formatter("%(levelname)s %(message)s")
    )
    with multiprocessing.get_context("fork").Pool(1) as pool:
        print(pool.map(abs, range(-3, 0)))
        pool.close()
        pool.join()
