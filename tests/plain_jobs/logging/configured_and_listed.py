"""A program that configures logging with disabled existing loggers, and lists the loggers there
are.
"""

import logging.config
from concurrent.futures import ThreadPoolExecutor

logging.config.dictConfig(
    {
        "version": 1,
        "formatters": {"short": {"format": "%(levelname)s %(name)s %(message)s"}},
        "handlers": {
            "file": {"class": "logging.FileHandler", "filename": "log", "formatter": "short"}
        },
        "root": {"level": "DEBUG", "handlers": ["file"]},
    }
)
with ThreadPoolExecutor(2) as pool:
    logging.getLogger("job").debug("one")
    list(pool.map(logging.getLogger("job").info, ["two"]))
print(sorted(name for name in logging.root.manager.loggerDict if "idlehands" not in name))
print(logging.getLogger("job").getEffectiveLevel())
