"""A newspaper: threads fetch reports, processes set them in type."""

import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

from ending import kind, tell


def fetch_report(town):
    time.sleep(0.002)
    return f"report of town {town}"


def set_in_type(report):
    return report.upper()


if __name__ == "__main__":
    wires = ThreadPoolExecutor(3, thread_name_prefix="wires")
    with wires, ProcessPoolExecutor(2) as press:
        reports = list(wires.map(fetch_report, range(30)))
        pages = [press.submit(set_in_type, report) for report in reports]
        for page in pages:
            page.result()
        tell(fetch_report=kind(len(reports)), set_in_type=kind(len(pages)))
