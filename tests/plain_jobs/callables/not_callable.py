"""Things that cannot be called are submitted, and the errors are theirs."""

import traceback
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    for thing in (None, 3, "text", object()):
        error = pool.submit(thing).exception(5)
        print("".join(traceback.format_exception_only(type(error), error)).strip())
    try:
        pool.submit()
    except TypeError as error:
        print(error)
    try:
        pool.map(None)
    except TypeError as error:
        print(error)
