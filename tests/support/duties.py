"""A device and a cell simple enough for closed forms."""

import numpy as np

from amphora.harness.analysis.cell_model import CellModel
from amphora.harness.decisions.duty import Duty, read_duty

HEAD = 'name = "lamp"\nchemistry = ["li-ion"]\n'


def simple(rail: str = "3.0 V", mode: str = 'current = "100 mA"', more: str = "") -> Duty:
    return read_duty(f'{HEAD}lowest_rail = "{rail}"\n{more}\n[[modes]]\nname = "m"\n{mode}\n', "lamp.toml")


def linear(capacity: float = 1.0, ohm: float = 0.1) -> CellModel:
    """A cell whose voltage falls in a straight line from 4.2 to 3.0 V, so that everything has a closed form."""
    given = np.linspace(0, capacity, 201)
    flat = np.full(201, ohm)
    return CellModel(given, 4.2 - 1.2 * given / capacity, flat, flat, capacity, 0.01 * capacity, 0.02, 20.0, "li-ion")
