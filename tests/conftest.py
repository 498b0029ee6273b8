"""What holds for all tests: the same examples each time, no clock over them, and an order for several workers.

With `pytest -n` each worker gets a row of tests and takes from others when it has done. What mostly waits for
processes stands first in each row, so that it waits while others work.
"""

import os
import sys

import pytest
from hypothesis import HealthCheck, settings

# Each of the many processes, and each worker, would compile everything anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# Other examples are what `make fuzz` and the campaign look for; a time limit for one would ask how fast the machine is.
settings.register_profile(
    "amphora", derandomize=True, database=None, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("amphora")
WAITING = ("end_to_end", "test_keeper", "test_alarm", "test_serial_logger", "test_transports", "test_dialects")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Deal the tests that wait to the workers' rows, as their first; keep the others' order."""
    workers = getattr(config, "workerinput", {}).get("workercount", 1)
    if workers == 1:
        return
    waiting = [item for item in items if any(part in item.nodeid.split("::")[0] for part in WAITING)]
    others = [item for item in items if item not in set(waiting)]
    dealt: list[pytest.Item] = []
    for row in range(workers):
        mine = waiting[row::workers]
        begin, end = row * len(others) // workers, (row + 1) * len(others) // workers
        dealt += [*mine, *others[begin:end]]
    items[:] = dealt
