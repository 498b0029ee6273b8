"""What holds for all tests: the same examples each time, no clock over them, and an order for several workers.

With `pytest -n` each worker gets a row of tests and takes from others when it has done. What mostly waits for
processes stands first in each row, so that it waits while others work. What costs the processor without showing
anything is left out: the tree of commands is built once, what was collected is not looked through for garbage, and a
test that reads figures and no single row asks for `coarse` readings.
"""

import functools
import gc
import os
import sys
from collections.abc import Iterator

import pytest
import typer.main
import typer.testing
from hypothesis import HealthCheck, settings

from amphora.harness.plans import steps
from amphora.harness.running import runner

# Each of the many processes, and each worker, would compile everything anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# Other examples are what `make fuzz` and the campaign look for; a time limit for one would ask how fast the machine is.
settings.register_profile(
    "amphora", derandomize=True, database=None, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("amphora")
WAITING = (
    "end_to_end",
    "test_watchdog",
    "test_switch_off",
    "test_alarm",
    "test_serial_logger",
    "test_transports",
    "test_dialects",
)
WHOLE = ("test_docs_run",)  # its evening is made once for all its tests: they stay with one worker


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Deal the tests that wait to the workers' rows, as their first; keep the others' order."""
    workers = getattr(config, "workerinput", {}).get("workercount", 1)
    if workers == 1:
        return
    waiting = [item for item in items if any(part in item.nodeid.split("::")[0] for part in WAITING)]
    waits = set(waiting)
    others = [item for item in items if item not in waits]
    whole = [item for item in waiting if any(part in item.nodeid for part in WHOLE)]
    waiting = [item for item in waiting if item not in set(whole)]
    dealt: list[pytest.Item] = []
    for row in range(workers):
        mine = [*(whole if row == 0 else []), *waiting[row::workers]]
        begin, end = row * len(others) // workers, (row + 1) * len(others) // workers
        dealt += [*mine, *others[begin:end]]
    items[:] = dealt


def pytest_collection_finish() -> None:
    """Take the thousands of tests, and all that was imported for them, out of what each collection looks through."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(10_000, 20, 20)


# Each call of the program by `CliRunner` or `run_inside` would build the same tree of commands anew: 20 ms.
_built_once = functools.cache(typer.main.get_command)
typer.main.get_command = _built_once
typer.testing._get_command = _built_once


@pytest.fixture(scope="module")
def coarse() -> Iterator[None]:
    """Readings ten times as far apart as a run's own, for a whole module: it reads figures, and no single row.

    The physics goes on in steps of a second, and so do pulses; other tests look at each row of a run.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(steps, "ENERGISED_INTERVAL_S", 10.0 * steps.ENERGISED_INTERVAL_S)
        patch.setattr(runner, "ENERGISED_AT_MOST_S", 10.0 * runner.ENERGISED_AT_MOST_S)
        patch.setattr(steps, "REST_INTERVAL_S", 6.0 * steps.REST_INTERVAL_S)
        yield
