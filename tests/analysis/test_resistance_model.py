"""One resistance over charge and time: the surface that made the values comes back, and nothing beyond them."""

import numpy as np

from amphora.harness.analysis.resistance import LOAD_STEP, REVERSAL
from amphora.harness.analysis.resistance_model import fit_resistance_model


def surface(state: np.ndarray, at_s: np.ndarray) -> np.ndarray:
    """A closed form of our own: flat in the middle, climbing to the empty end, rising with the logarithm of time."""
    return 0.05 + 0.008 * np.log(at_s / 0.1) + 0.03 * np.exp(-state / 0.1)


def values(seed: int = 0) -> tuple[list[str], np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    generator = np.random.default_rng(seed)
    state, at_s = (part.ravel() for part in np.meshgrid(np.linspace(0.05, 1.0, 12), [0.1, 1.0, 10.0, 30.0]))
    true = surface(state, at_s)
    U = 0.02 * true
    return [LOAD_STEP] * true.size, state, at_s, true + generator.normal(0, U / 2), U


def test_the_surface_is_within_its_u_where_values_lie() -> None:
    held = []
    for seed in range(10):
        model = fit_resistance_model(*values(seed))
        assert model is not None and model.values == 48
        for state, ohm, U in zip(model.along, model.ohm, model.U_ohm, strict=True):
            if state < 0.15:
                continue  # between knots the climb is steeper than a line
            for at_s, one, wide in zip(model.times_s, ohm, U, strict=True):
                assert one is not None and wide is not None
                held.append(abs(one - surface(np.array(state), np.array(at_s))) <= wide)
    assert np.mean(held) >= 0.93


def test_nothing_is_stated_where_no_value_lies() -> None:
    methods, state, at_s, ohm, U = values()
    away = (at_s > 20) & (state > 0.5)
    model = fit_resistance_model([m for m, out in zip(methods, away, strict=True) if not out], state[~away],
                                 at_s[~away], ohm[~away], U[~away])  # fmt: skip
    assert model is not None
    shown = {state: row[-1] is not None for state, row in zip(model.along, model.ohm, strict=True)}
    assert not any(there for state, there in shown.items() if state > 0.65) and any(shown.values())


def test_too_few_values_or_other_kinds_give_no_model() -> None:
    methods, state, at_s, ohm, U = values()
    assert fit_resistance_model(methods[:3], state[:3], at_s[:3], ohm[:3], U[:3]) is None
    assert fit_resistance_model([REVERSAL] * 48, state, at_s, ohm, U) is None


def test_values_that_disagree_widen_u() -> None:
    methods, state, at_s, ohm, U = values()
    calm = fit_resistance_model(methods, state, at_s, ohm, U)
    wild = fit_resistance_model(methods, state, at_s, ohm * (1 + 0.1 * np.resize([1, -1], ohm.size)), U)
    assert calm is not None and wild is not None
    assert wild.scatter > 3 * calm.scatter
    assert float(wild.U_ohm[4][2] or 0) > 2 * float(calm.U_ohm[4][2] or 0)
