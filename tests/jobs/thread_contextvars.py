"""A print shop carries the order's name into its threads, each call in a context of its own."""

import contextvars
from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell

order = contextvars.ContextVar("order", default="none")


def print_page(page):
    return order.get(), page


if __name__ == "__main__":
    with ThreadPoolExecutor(2, thread_name_prefix="press") as pool:
        pages = []
        for number in range(20):
            order.set(f"order {number}")
            pages.append(pool.submit(contextvars.copy_context().run, print_page, number))
        assert pages[7].result() == ("order 7", 7)
        for page in pages:
            page.result()
        tell(print_page=kind(len(pages)))
