"""Fixtures: an ideal cell, and one instrument at it that is served over a wire.

A module says what it serves: `SERVED = (IdealLoad, "load-function-input")`.
"""

from collections.abc import Iterator

import pytest

from amphora.drivers.simulated.scpi_server import ScpiServer
from tests.support.simulation.ideal import IdealCell


@pytest.fixture
def cell() -> IdealCell:
    return IdealCell(3.7, 0.05)


@pytest.fixture
def server(cell: IdealCell, request: pytest.FixtureRequest) -> Iterator[ScpiServer]:
    device, dialect = request.module.SERVED
    with ScpiServer(device(cell), dialect) as one:
        yield one
