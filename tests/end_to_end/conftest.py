"""Fixtures: a simulated bench in another process, and the program with a shelf of its own."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from programs import Inside, Program, Served


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[..., Served]]:
    started: list[Served] = []

    def start(*options: str) -> Served:
        served = Served(tmp_path, *options)
        started.append(served)
        return served

    yield start
    for served in started:
        if served.process.poll() is None:
            served.end()
        if served.process.stdout is not None:
            served.process.stdout.close()


@pytest.fixture
def amphora(tmp_path: Path) -> Program:
    return Program(tmp_path)


@pytest.fixture
def inside(tmp_path: Path) -> Inside:
    """The same shelf, called without a process of its own."""
    return Inside(tmp_path)
