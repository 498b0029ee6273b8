"""Populations of cells that err like real ones: healthy, aged and sick, with the truth about each.

`draw_cell` draws capacity, resistances, diffusion, efficiency and self-discharge together: a cell that
has lost capacity has gained resistance. Healthy and aged cells leak less than 1 % of their capacity a
day (lithium; a standard NiMH cell up to 1.6 %), sick ones 5 % or more. The same generator state gives
the same cell. Units: V, A, ohm, Ah, degC, s.

The spreads are common practice for cells out of used devices; the values for a new cell are `MAKES`.
"""

import math
import random
from dataclasses import replace
from typing import Any, Literal, NamedTuple

from amphora.drivers.simulated.cell import CellSpec, Short, SimulatedCell, delivered_Ah, leak_truth, real_spec

Health = Literal["healthy", "aged", "sick"]
DESIGN_Ah: dict[str, tuple[float, ...]] = {
    "li-ion": (1.5, 2.0, 2.2, 2.6, 2.9, 3.4),
    "lfp": (1.1, 1.5, 1.8),
    "nimh": (0.6, 1.0, 1.3, 1.9, 2.5),
}
"""What the forms are sold with: 18650, and AA for NiMH; common practice."""
CURVE_OF = {"li-ion": ("nmc-full", "nca", "lco"), "lfp": ("lfp-full",), "nimh": ("nimh",)}
SICK_PERCENT_PER_DAY = 5.0
SICKNESSES = ("short", "late short", "near full", "comes and goes", "soft leak")
FULL_V = {"li-ion": 4.2, "lfp": 3.35, "nimh": 1.38}


class Drawn(NamedTuple):
    """A cell and what is true of it.

    truth: `chemistry`, `curve`, `health`, `sickness` ("" if none), `design_Ah`, `inner_capacity_Ah`, `capacity_Ah`
    (what it gives at `current_A` to `cutoff_V` from full, without its short), `r0_ohm`, `r1_ohm`, `c1_F`, and the keys
    of `leak_truth` (its leak while its shorts act).
    """

    cell: SimulatedCell
    truth: dict[str, Any]


def draw_cell(
    rng: random.Random,
    chemistry: str = "li-ion",
    kind: Health = "healthy",
    *,
    sickness: str = "",
    soc: float = 1.0,
    ambient_degC: float = 20.0,
    **changes: Any,
) -> Drawn:
    """Return a cell of a population, at rest, with its truth.

    Args:
        rng: What draws.
        chemistry: "li-ion", "lfp" or "nimh".
        kind: "healthy": 80 to 100 % of its first capacity; "aged": 45 to 80 %; "sick": either, and it leaks 5 % of its
            capacity a day or more.
        sickness: One of `SICKNESSES` for a sick cell; "": drawn.
        soc: Share of charge it is found at.
        ambient_degC: Of the room.
        changes: Values of `CellSpec` that are set instead of drawn.

    Raises:
        KeyError: no such chemistry.
        ValueError: no such kind or sickness.
    """
    if kind not in ("healthy", "aged", "sick"):
        raise ValueError(f"kind {kind!r} is not known; healthy, aged, sick are accepted")
    if sickness and (kind != "sick" or sickness not in SICKNESSES):
        raise ValueError(f"sickness {sickness!r} goes with kind 'sick' and is one of {', '.join(SICKNESSES)}")
    design_Ah = rng.choice(DESIGN_Ah[chemistry]) * rng.uniform(0.97, 1.03)
    curve = rng.choice(CURVE_OF[chemistry])
    aged = kind == "aged" or (kind == "sick" and rng.random() < 0.7)
    health = rng.uniform(0.45, 0.80) if aged else rng.uniform(0.80, 1.0)
    # resistance grows with what is lost, one cell more than another; cells differ by a fifth when new
    growth = (1.0 + 4.0 * (1.0 - health)) * rng.lognormvariate(0.0, 0.20)
    # the slow parts grow even more, and worn cells differ most in them; not LFP's, whose steep ends show it anyway
    slower = 1.0 + 2.0 * (1.0 - health) if chemistry == "li-ion" else 1.0
    spread = 0.7 if aged else 0.25
    lost = {"li-ion": (0.005, 0.04), "lfp": (0.008, 0.04), "nimh": rng.choice(((0.02, 0.04), (0.12, 0.30)))}[chemistry]
    poor = 10.0 ** rng.uniform(-2.0, -1.4) if chemistry == "nimh" else 10.0 ** rng.uniform(-4.0, -1.7)
    spec = real_spec(
        chemistry,
        design_Ah * health,
        kind=f"{kind} {chemistry}",
        health=health,
        growth=growth,
        curve=curve,
        efficiency=1.0 - poor,
        lost_per_month=rng.uniform(*lost) * (1.5 if aged else 1.0),
        stale_loss=rng.uniform(0.03, 0.10) if chemistry == "nimh" else rng.uniform(0.002, 0.02),
        loss_W_per_K=rng.uniform(0.028, 0.040) if chemistry == "nimh" else rng.uniform(0.040, 0.060),
    )
    if curve == "lco":
        spec = replace(spec, entropy="lco")
    # each part of it in its own measure
    spec = replace(
        spec,
        r0_ohm=spec.r0_ohm * rng.lognormvariate(0.0, 0.12),
        r1_ohm=spec.r1_ohm * rng.lognormvariate(0.0, 0.15),
        r2_ohm=spec.r2_ohm * rng.lognormvariate(0.0, 0.15),
        slow=tuple(
            (hours * slower * rng.lognormvariate(0.0, spread), tau_s * rng.lognormvariate(0.0, 0.25))
            for hours, tau_s in spec.slow
        ),
    )
    found = ""
    if kind == "sick":
        found = sickness or rng.choice(SICKNESSES)
        spec = replace(spec, shorts=(draw_short(rng, chemistry, spec.capacity_Ah, found),))
    if changes:
        spec = replace(spec, **changes)
    cell = SimulatedCell(spec, soc, ambient_degC)
    return Drawn(cell, {**truth_of(cell), "health": kind, "sickness": found, "design_Ah": design_Ah})


def draw_short(rng: random.Random, chemistry: str, capacity_Ah: float, sickness: str) -> Short:
    """Return a short that takes 5 % of the capacity a day or more once it acts; 5 to 500 ohm as far as that goes.

    A soft leak takes 5 to 20 % a day. What acts only now and then is drawn to take 5 % a day on the mean.
    """
    most_ohm = FULL_V[chemistry] * 2400.0 / (SICK_PERCENT_PER_DAY * capacity_Ah)
    least_ohm = 5.0 if chemistry != "nimh" else 2.0
    if sickness == "soft leak":
        return Short(most_ohm / 10.0 ** rng.uniform(0.0, 0.6))
    if sickness == "comes and goes":
        on_s, off_s = rng.uniform(60.0, 1800.0), rng.uniform(60.0, 1800.0)
        most_ohm = min(most_ohm * on_s / (on_s + off_s), 500.0)
        return Short(_log_uniform(rng, least_ohm, most_ohm), on_s=on_s, off_s=off_s)
    ohm = _log_uniform(rng, least_ohm, min(most_ohm, 500.0))
    if sickness == "late short":
        return Short(ohm, from_s=rng.uniform(0.5, 20.0) * 3600.0)
    if sickness == "near full":
        return Short(ohm, above_V={"li-ion": rng.uniform(3.95, 4.12), "lfp": 3.40, "nimh": 1.40}[chemistry])
    return Short(ohm)


def truth_of(cell: SimulatedCell, current_A: float | None = None, cutoff_V: float | None = None) -> dict[str, Any]:
    """Return what is true of a cell: capacity at a current (0.2 It of what it holds) and cut-off, resistances, leak."""
    spec: CellSpec = cell.spec
    used_A = 0.2 * spec.capacity_Ah if current_A is None else current_A
    used_V = spec.cutoff_V if cutoff_V is None else cutoff_V
    sound = SimulatedCell(replace(spec, shorts=()), 1.0, cell.ambient_degC)
    return {
        "chemistry": spec.chemistry,
        "curve": spec.curve,
        "inner_capacity_Ah": spec.capacity_Ah,
        "capacity_Ah": delivered_Ah(sound, used_A, used_V, dt_s=30.0),
        "current_A": used_A,
        "cutoff_V": used_V,
        "r0_ohm": SimulatedCell(spec, 0.5).series_ohm(),
        "r1_ohm": spec.r1_ohm,
        "c1_F": spec.c1_F,
        **leak_truth(cell),
    }


def _log_uniform(rng: random.Random, low: float, high: float) -> float:
    return low * math.exp(math.log(high / low) * rng.random())
