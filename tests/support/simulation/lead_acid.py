"""A sealed lead-acid cell of 2 V for the simulated bench: sound, sulphated or shorted inside. V, ohm, Ah.

Common practice throughout, no measured record is at hand: 2.14 V at rest when full and 1.93 V when empty, nearly
straight between (the acid's concentration); 95 % of a charge comes back; 4 % a month lost at 20 degC. A sulphated cell
holds a part of what it did, behind some ten times the resistance.
"""

from amphora.drivers.simulated import curves
from amphora.drivers.simulated.cell import CellSpec, Short, SimulatedCell

EMPTY_V, FULL_V = 1.93, 2.14


def ocv(z: float) -> float:
    """Return the voltage at rest at a share of charge."""
    return EMPTY_V + (FULL_V - EMPTY_V) * z


def lead_acid_cell(
    capacity_Ah: float = 2.0, sulphated: bool = False, short_ohm: float | None = None, soc: float = 0.5
) -> SimulatedCell:
    """Return such a cell at rest at 20 degC."""
    curves.CURVES.setdefault("lead-acid", ocv)
    held_Ah, growth = (0.3 * capacity_Ah, 10.0) if sulphated else (capacity_Ah, 1.0)
    spec = CellSpec(
        kind="lead-acid", chemistry="lead-acid", curve="lead-acid", capacity_Ah=held_Ah, r0_ohm=0.030 * growth,
        r1_ohm=0.020 * growth, c1_F=3000.0 / growth, r2_ohm=0.020 * growth, c2_F=30000.0 / growth, efficiency=0.95,
        heat_J_per_K=120.0, loss_W_per_K=0.10, mass_g=150.0, full_V=2.40, cutoff_V=1.75, lost_per_month=0.04,
        slow=((0.15, 1800.0), (0.10, 7200.0)), shorts=() if short_ohm is None else (Short(short_ohm),),
    )  # fmt: skip
    return SimulatedCell(spec, soc, 20.0)
