"""sys.monitoring counts the starts and returns of the program's functions (Python 3.12)."""

# /// job
# since = "3.12"
# ///
import sys
from concurrent.futures import ThreadPoolExecutor

monitoring = sys.monitoring
events = {}


def work(number):
    return number + 1


def on_start(code, offset):
    events[code.co_name] = events.get(code.co_name, 0) + 1


for tool in range(6):
    print(tool, monitoring.get_tool(tool))
monitoring.use_tool_id(monitoring.PROFILER_ID, "job")
monitoring.register_callback(monitoring.PROFILER_ID, monitoring.events.PY_START, on_start)
monitoring.set_local_events(monitoring.PROFILER_ID, work.__code__, monitoring.events.PY_START)
with ThreadPoolExecutor(1) as pool:
    print(list(pool.map(work, range(30))))
print(events)
