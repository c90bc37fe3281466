"""A map is drawn sheet by sheet; each sheet hands its quarters back to the same pool."""

import time
from concurrent.futures import ThreadPoolExecutor, wait

from ending import kind, tell

pool = ThreadPoolExecutor(4, thread_name_prefix="drawing office")


def draw_quarter(sheet, quarter):
    time.sleep(0.001)
    return sheet, quarter


def draw_sheet(sheet):
    return [pool.submit(draw_quarter, sheet, quarter) for quarter in range(4)]


if __name__ == "__main__":
    sheets = [pool.submit(draw_sheet, sheet) for sheet in range(20)]
    quarters = [quarter for sheet in sheets for quarter in sheet.result()]
    wait(quarters)
    tell(
        by_workers={"drawing office": len(quarters)},
        draw_sheet=kind(len(sheets)),
        draw_quarter=kind(len(quarters)),
    )
    pool.shutdown()
