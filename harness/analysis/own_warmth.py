"""How a cell warms itself under its own load: what a test's temperatures say of it, and the course of a run.

One body that loses heat in proportion to how much warmer it is than the room. Pure: arrays in, numbers out. W, K, s.

Caveats: reversible heat (of entropy) is not known of a cell, and counts as doubt: at a fifth of It it can be half.
"""

import math
from typing import NamedTuple

import numpy as np

from amphora.harness.analysis.records import FloatArray

USUAL_AH = 2.5  # of the 18650 that the next two are for
USUAL_K_PER_W = 20.0  # 42 cm2 of an 18650 at 12 W/(m2 K), computed; still air, common practice
USUAL_TIME_S = (
    850.0  # 40 to 45 J/K into it; 620 to 660 s measured in moved air, 700 to 1050 s in still (docs/faults.md)
)
PRIOR_U = 0.7  # k = 2, of the logarithm: room, holder, size of the body
# Without temperatures a body that nobody named may be a pouch, of the same charge with two to four times the surface:
# 10.4 K at 2 It measured (Ai et al. 2020, doi 10.1149/2.0122001JES) where a cylinder of that size would rise by 40.
UNNAMED_SHARE, UNNAMED_U = 0.6, 1.2
REVERSIBLE_V_PER_K = 1e-4  # k = 2, mean over a discharge; tables of entropy of lithium cells (from memory)
SENSOR_K = 0.4  # k = 2: of a rise, of sensor and room together (common practice)
LEAST_U = 0.25  # k = 2, of the logarithm
MOST_RISE_K = 45.0  # of a course: beyond it no unattended run goes on
SIZES_AH = {"18650": 2.5, "26650": 4.0, "21700": 3.3, "14500": 1.0, "AA": 1.0}  # of 2.5 Ah for 42 cm2: surface by form


class OwnWarmth(NamedTuple):
    """By how much a cell warms itself."""

    K_per_W: float
    U_share: float  # k = 2, of the logarithm
    time_s: float


def warmth_of(
    t_s: FloatArray, power_W: FloatArray, degC: FloatArray, form: str, capacity_Ah: float, amps: float
) -> OwnWarmth:
    """Return how a cell warms itself, by its body and by what a test's temperatures say.

    Args:
        t_s, power_W, degC: A test from its rest before on: what turned to heat by resistance, and the temperature,
            NaN where none was read; shape (n,).
        form: Of the cell; one that is not known has a body as large as its capacity.
        capacity_Ah: That it holds.
        amps: The test's main current, A.

    Source: lumped body, from the first law; weighted mean of an expected and a measured value of the logarithm, JCGM
        100:2008 (GUM), H.
    """
    size_Ah = SIZES_AH.get(form.strip().upper(), capacity_Ah)
    expected = USUAL_K_PER_W * USUAL_AH / max(size_Ah, 0.05)
    good = np.isfinite(degC) & np.isfinite(power_W)
    if np.count_nonzero(good) < 30 or not np.any(power_W[good] > 0):
        if form.strip().upper() in SIZES_AH:
            return OwnWarmth(expected, PRIOR_U, USUAL_TIME_S)
        return OwnWarmth(UNNAMED_SHARE * expected, UNNAMED_U, USUAL_TIME_S)
    t, power, warm = t_s[good], power_W[good], degC[good]
    start = float(np.median(warm[: max(3, int(np.searchsorted(t, t[0] + 300.0)))]))
    shape = rise(t, power, OwnWarmth(1.0, 0.0, USUAL_TIME_S))
    weight = np.gradient(t)
    square = float(np.sum(weight * shape * shape))
    if square <= 0:
        return OwnWarmth(expected, PRIOR_U, USUAL_TIME_S)
    found = float(np.sum(weight * shape * (warm - start))) / square
    typical_W = float(np.sum(weight * shape * shape) / np.sum(weight * shape))
    reversible = REVERSIBLE_V_PER_K * (273.15 + start) * amps / typical_W
    doubt = math.hypot(reversible, SENSOR_K / (typical_W * expected), 0.1)
    if found <= 0.1 * expected or doubt > 2.0:
        return OwnWarmth(expected, PRIOR_U, USUAL_TIME_S)
    own, prior = doubt**-2, PRIOR_U**-2
    logarithm = (own * math.log(found) + prior * math.log(expected)) / (own + prior)
    return OwnWarmth(math.exp(logarithm), max(LEAST_U, (own + prior) ** -0.5), USUAL_TIME_S)


def rise(t_s: FloatArray, power_W: FloatArray, warmth: OwnWarmth) -> FloatArray:
    """Return how much warmer than the room a body becomes, shape (n,), K; 0 at the first.

    Source: lumped body, solved exactly for a power that is constant from each time to the next.
    """
    out = np.zeros(t_s.size)
    keep = np.exp(-np.maximum(np.diff(t_s), 0.0) / warmth.time_s)
    level = warmth.K_per_W * 0.5 * (power_W[1:] + power_W[:-1])
    warm = 0.0
    for k, (held, towards) in enumerate(zip(keep.tolist(), level.tolist(), strict=True)):
        warm = min(towards + (warm - towards) * held, MOST_RISE_K)
        out[k + 1] = warm
    return out
