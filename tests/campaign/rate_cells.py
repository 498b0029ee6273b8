"""Cells of a physics library, tested at a fifth of It and then really emptied at other rates; kept in a folder.

PyBaMM (Sulzer et al., J. Open Res. Software 9, 2021, 14): its porous-electrode model with a lumped temperature,
parameter sets as they are published, each cell then drawn about its set: diffusion in the solids and the electrolyte,
contact resistance, moved or still air. Nothing of the house is used here: the truths are somebody else's physics.

What a set does not have is completed: temperature (activation energies of 25 kJ/mol in the solids, 17 kJ/mol in the
electrolyte, common practice) and current collectors. Size: a body has the surface to its volume of an 18650.
"""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

RATES_It = (0.1, 0.35, 0.5, 0.75, 1.0, 1.5, 2.0)
ROOM_K = 293.15
SURFACE_PER_VOLUME_1_M = 42e-4 / 1.65e-5  # of an 18650
SAG_V = 0.5  # a load step may go so far below the cut-off: to the hard limit of the chemistry
NO_TEMPERATURE = ("Chen2020", "Prada2013")  # sets without activation energies of their own
BUILDING = {"Chen2020": 4, "Marquis2019": 3, "Mohtat2020": 3, "Prada2013": 4}
JUDGING = {"Ecker2015": 3, "OKane2022": 2, "ORegan2022": 2, "NCA_Kim2011": 2, "Ai2020": 2, "Prada2013": 4}
# Drawn otherwise (`_fresh`), to be judged once by the code as it is: aged cells, other kinetics, loads and rooms.
FRESH = {
    "Ramadass2004": 4, "Chen2020": 3, "OKane2022": 3, "ORegan2022": 2, "Mohtat2020": 3, "Ecker2015": 2,
    "NCA_Kim2011": 4, "Prada2013": 7,
}  # fmt: skip
FRESH_RATES_It = ((0.08, 0.15), (0.28, 0.42), (0.42, 0.6), (0.6, 0.85), (0.85, 1.2), (1.2, 1.7), (1.7, 2.2))
POSITIVE = {
    "Ramadass2004": "LCO", "Chen2020": "NMC", "Mohtat2020": "NMC", "Ecker2015": "NMC", "OKane2022": "NMC",
    "ORegan2022": "NMC",    "NCA_Kim2011": "NCA", "Ai2020": "LCO", "Marquis2019": "LCO", "Prada2013": "LFP",
}  # fmt: skip
Told = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]  # t_s, V, A out, degC


@dataclass(frozen=True)
class Draw:
    """One cell: a published set and what is changed in it."""

    name: str
    parameters: str
    cutoff_V: float
    full_V: float
    solids: float
    electrolyte: float
    contact_ohm_Ah: float
    air_W_per_m2K: float
    rails_V: tuple[float, ...]  # one for each of `rates_It`
    rates_It: tuple[float, ...] = RATES_It
    room_K: float = ROOM_K
    kinetics: float = 1.0
    grains: tuple[float, float] = (1.0, 1.0)  # of the radius, negative and positive
    thickness: float = 1.0  # of both electrodes
    lost: float = 0.0  # share of the lithium that ageing has taken

    @property
    def chemistry(self) -> str:
        """Return what the shelf calls it."""
        return "lfp" if self.parameters == "Prada2013" else "li-ion"


def draws(seed: int, half: str) -> list[Draw]:
    """Return the cells of one half, `building` or `judging`; any other name: cells drawn otherwise."""
    if half not in ("building", "judging"):
        return _fresh(seed, half)
    rng = np.random.default_rng([seed, len(half)])
    found = []
    for parameters, count in (BUILDING if half == "building" else JUDGING).items():
        flat = parameters == "Prada2013"
        for number in range(count):
            rails = (2.5, 2.7, 2.8, 3.0) if flat else (3.0, 3.1, 3.2, 3.3, 3.4)
            found.append(
                Draw(
                    f"{half}-{seed}-{parameters}-{number}", parameters, 2.5 if flat else 3.0,
                    3.6 if flat else 4.1 if parameters == "Marquis2019" else 4.2,
                    float(np.exp(rng.uniform(np.log(0.5), np.log(2.0)))),
                    float(np.exp(rng.uniform(np.log(0.6), np.log(1.6)))), float(rng.uniform(0.0, 0.06)),
                    float(rng.uniform(6.0, 15.0)), tuple(float(rng.choice(rails)) for _ in RATES_It),
                )
            )  # fmt: skip
    return found


def _fresh(seed: int, name: str) -> list[Draw]:
    rng = np.random.default_rng([seed, *name.encode()])

    def factor(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    found = []
    for parameters, count in FRESH.items():
        flat = parameters == "Prada2013"
        for number in range(count):
            low, high = (2.5, 3.05) if flat else (3.0, 3.45)
            found.append(
                Draw(
                    f"{name}-{seed}-{parameters}-{number}", parameters, 2.5 if flat else 3.0, 3.6 if flat else 4.2,
                    factor(0.4, 2.5), factor(0.5, 1.8), float(rng.uniform(0.0, 0.08)), factor(5.0, 20.0),
                    tuple(round(float(rng.uniform(low, high)), 2) for _ in FRESH_RATES_It),
                    tuple(round(factor(*limits), 3) for limits in FRESH_RATES_It),
                    273.15 + round(float(rng.uniform(12.0, 28.0)), 1), factor(0.3, 2.0),
                    (factor(0.75, 1.3), factor(0.75, 1.3)), factor(0.85, 1.2), float(rng.uniform(0.0, 0.15)),
                )
            )  # fmt: skip
    return found


def _values(draw: Draw, pybamm: Any) -> Any:
    """Return a published set, completed and drawn about."""
    values = pybamm.ParameterValues(draw.parameters)
    usual = pybamm.ParameterValues("Chen2020")
    missing = {key: usual[key] for key in usual if key not in values}
    values.update(missing, check_already_exists=False)
    for side in ("Negative", "Positive"):
        values[f"{side} electrode thickness [m]"] = float(values[f"{side} electrode thickness [m]"]) * draw.thickness
    held = draw.thickness * (1.0 - draw.lost)
    values["Nominal cell capacity [A.h]"] = float(values["Nominal cell capacity [A.h]"]) * held
    thickness = sum(
        float(values[f"{part} thickness [m]"])
        for part in ("Negative current collector", "Negative electrode", "Separator", "Positive electrode",
                     "Positive current collector")
    )  # fmt: skip
    layers = float(values["Number of electrodes connected in parallel to make a cell"])
    volume = thickness * float(values["Electrode height [m]"]) * float(values["Electrode width [m]"]) * layers
    nominal_Ah = float(values["Nominal cell capacity [A.h]"])

    def changed(key: str, factor: float, energy_J_per_mol: float) -> None:
        old = values[key]

        def new(*about: Any) -> Any:
            own = old(*about) if callable(old) else old
            warm = pybamm.exp(energy_J_per_mol / 8.314462618 * (1.0 / 298.15 - 1.0 / about[-1]))
            return own * factor * warm if energy_J_per_mol else own * factor

        values[key] = new

    bare = draw.parameters in NO_TEMPERATURE
    for side in ("Negative", "Positive"):
        changed(f"{side} particle diffusivity [m2.s-1]", draw.solids, 25e3 if bare else 0.0)
    for side, grain in zip(("Negative", "Positive"), draw.grains, strict=True):
        if grain != 1.0:
            values[f"{side} particle radius [m]"] = float(values[f"{side} particle radius [m]"]) * grain
        if draw.kinetics != 1.0:
            changed(f"{side} electrode exchange-current density [A.m-2]", draw.kinetics, 0.0)
    if draw.lost:
        key = "Initial concentration in negative electrode [mol.m-3]"
        values[key] = float(values[key]) * (1.0 - draw.lost)
    for key in ("Electrolyte conductivity [S.m-1]", "Electrolyte diffusivity [m2.s-1]"):
        changed(key, draw.electrolyte, 17e3 if bare else 0.0)
    values.update(
        {
            "Ambient temperature [K]": draw.room_K, "Initial temperature [K]": draw.room_K, "Cell volume [m3]": volume,
            "Cell cooling surface area [m2]": volume * SURFACE_PER_VOLUME_1_M,
            "Total heat transfer coefficient [W.m-2.K-1]": draw.air_W_per_m2K,
            "Contact resistance [Ohm]": draw.contact_ohm_Ah / nominal_Ah,
            "Upper voltage cut-off [V]": max(draw.full_V, float(values["Upper voltage cut-off [V]"])),
        },
        check_already_exists=False,
    )  # fmt: skip
    values.set_initial_state(f"{draw.full_V} V")
    values.update(
        {"Current function [A]": "[input]", "Lower voltage cut-off [V]": 0.5, "Upper voltage cut-off [V]": 5.0}
    )
    return values


class Driven:
    """A cell of the library, driven from step to step; each begins full and at rest."""

    def __init__(self, draw: Draw) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import pybamm

        pybamm.set_logging_level("ERROR")
        values = _values(draw, pybamm)
        self.nominal_Ah = float(values["Nominal cell capacity [A.h]"])
        model = pybamm.lithium_ion.DFN({"thermal": "lumped", "contact resistance": "true"})
        solver = pybamm.IDAKLUSolver(rtol=1e-5, atol=1e-7)
        self._simulation = pybamm.Simulation(model, parameter_values=values, solver=solver)
        self._state: Any = None
        self.t_s = 0.0
        self.parts: list[Told] = []

    def begin(self) -> None:
        """Begin full again."""
        self._state, self.t_s, self.parts = None, 0.0, []
        self._simulation._solution = None

    def spend(self, seconds: float, out_A: float, every_s: float, stop_V: float = 0.0) -> bool:
        """Draw a current; return whether the voltage fell to a limit before the time was over."""
        before = self._state
        at, volt, degC, early = self._step(seconds, out_A, every_s)
        low = np.flatnonzero(volt <= stop_V)
        if low.size and int(low[0]) + 1 < at.size:  # so that what follows begins where the limit was met
            self._state = before
            at, volt, degC, early = self._step((int(low[0]) + 1) * every_s, out_A, every_s)
        self.parts.append((self.t_s + at, volt, np.full(at.size, out_A), degC))
        self.t_s += float(at[-1]) if at.size else 0.0
        return bool(low.size) or early

    def _step(self, seconds: float, out_A: float, every_s: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, bool]:
        count = max(1, round(seconds / every_s))
        ask = np.linspace(0.0, count * every_s, count + 1)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = self._simulation.step(
                float(ask[-1]), t_eval=ask[[0, -1]], t_interp=ask, save=False, starting_solution=self._state,
                inputs={"Current function [A]": out_A},
            )  # fmt: skip
        begin = float(found.t[0])
        last = float(found.t[-1]) - begin
        at = ask[1:][ask[1:] <= last + 1e-6]
        inside = np.minimum(begin + at, float(found.t[-1]) - 1e-6)  # at the very end rounding would give no number
        volt = np.asarray(found["Terminal voltage [V]"](inside))
        degC = np.asarray(found["Volume-averaged cell temperature [K]"](inside)) - 273.15
        self._state = found.last_state
        return at, volt, degC, last < ask[-1] - 1e-6


def test_of(cell: Driven, draw: Draw, steps: bool) -> tuple[Told, list[float]]:
    """Test a cell at 0.2 It as the shipped recipes do: `load-steps`, or `overnight` with load steps near full alone.

    Returns:
        The readings; the instants at which an order went out.
    """
    cell.begin()
    stop_V, orders = draw.cutoff_V, []

    def order(seconds: float, share: float, every_s: float, stop: float = 0.0) -> bool:
        orders.append(cell.t_s)
        return cell.spend(seconds, share * cell.nominal_Ah, every_s, stop)

    order(600.0, 0.0, 5.0)
    pause_s = 120.0 if steps else 180.0
    done = False
    while not done:
        done = (
            order(10.0, 0.2, 1.0, stop_V) or order(1.0, 1.0, 1.0, stop_V - SAG_V) or order(pause_s, 0.0, 1.0)
            or order(10.0, 0.5, 1.0, stop_V - SAG_V) or order(pause_s, 0.0, 1.0)
        )  # fmt: skip
        done = done or order(1800.0 if steps else 40 * 3600.0, 0.2, 10.0, stop_V)
        if not done:
            order(900.0, 0.0, 5.0)
    order(3600.0, 0.0, 5.0)
    return _joined(cell.parts), orders


def emptied(cell: Driven, draw: Draw, rate_It: float) -> Told:
    """Empty a full cell at a steady current, down below the lowest rail."""
    cell.begin()
    amps = rate_It * cell.nominal_Ah
    cell.spend(4.0 * 3600.0 / rate_It, amps, 6.0 / rate_It, min(draw.cutoff_V, *draw.rails_V) - 0.01)
    return _joined(cell.parts)


def cell_in(folder: Path, draw: Draw) -> dict[str, Any]:
    """Return a cell's tests and truths; simulated where the folder does not hold them yet.

    Returns:
        `load-steps` and `overnight`: readings, shape (4, n), beside `... orders`; a rate's name, as `1.0`: shape
        (4, m); `nominal_Ah`.
    """
    file = folder / f"{draw.name}.npz"
    if not file.is_file():
        folder.mkdir(parents=True, exist_ok=True)
        cell = Driven(draw)
        held: dict[str, Any] = {"nominal_Ah": cell.nominal_Ah}
        for name in ("load-steps", "overnight"):
            told, orders = test_of(cell, draw, name == "load-steps")
            held |= {name: np.stack(told), f"{name} orders": np.array(orders)}
        for rate in draw.rates_It:
            held[str(rate)] = np.stack(emptied(cell, draw, rate))
        np.savez_compressed(file.with_suffix(".part.npz"), **held)
        file.with_suffix(".part.npz").replace(file)
    with np.load(file) as kept:
        return dict(kept.items())


def _joined(parts: Sequence[Told]) -> Told:
    t, volt, amps, degC = (np.concatenate([part[k] for part in parts]) for k in range(4))
    return t, volt, amps, degC
