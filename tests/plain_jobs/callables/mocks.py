"""Mocks as tasks: what was asked of them is what it is without a probe."""

from concurrent.futures import ThreadPoolExecutor
from unittest import mock

with ThreadPoolExecutor(2) as pool:
    for make in (mock.Mock, mock.MagicMock):
        task = make(return_value=3)
        print(pool.submit(task, 1).result(5), task.mock_calls, task.method_calls)
        print(sorted(task._mock_children))
    strict = mock.NonCallableMock()
    print(repr(pool.submit(strict).exception(5)))
    speced = mock.create_autospec(len, return_value=4)
    print(pool.submit(speced, []).result(5), speced.mock_calls)
