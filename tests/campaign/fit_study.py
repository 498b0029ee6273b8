"""How far a fit is off when the same cell really does the duty: a population of simulated cells.

Not collected by a plain test run. `python -m tests.campaign.fit_study --cells 100` prints the distribution and where
it fails. The cells differ from the model that the fit uses: hysteresis, a second time constant of minutes, other
open-circuit curves, worn resistances, and the cold that the test did not see. The simulator's own exponential of
resistance against cold differs from the factor the fit takes.
"""

import argparse
import random
import tempfile
from dataclasses import replace
from pathlib import Path
from statistics import median

from drivers.simulated.cell import SimulatedCell, random_cell
from harness.duty import cell_model, fit, read_duty
from harness.loading import load
from harness.results import analyse_run
from tests.support.duty_runs import serve, write_test


def one(seed: int, logs: Path) -> dict[str, float | str | bool]:
    """Return the errors of one cell in one duty."""
    rng = random.Random(seed)
    spec = replace(
        random_cell("li-ion", rng).spec,
        leak_A=0.0,
        hysteresis_V=rng.choice([0.0, 0.01, 0.03]),
        r2_ohm=rng.uniform(0.0, 0.06),
        c2_F=rng.uniform(4000.0, 20000.0),
    )
    cold = rng.choice([20.0, 20.0, 10.0, 0.0])
    on_A, share = rng.choice([(0.08, 1.0), (0.12, 1.0), (0.35, 0.3), (0.35, 1.0)])
    rail_V = rng.choice([3.0, 3.2, 3.3, 3.45])
    run = write_test(logs, SimulatedCell(spec, 1.0, 20.0), f"c{seed}", current_A=0.2 * spec.capacity_Ah)
    record, _ = load(run)
    result = analyse_run(run)
    model = cell_model(record.t_s, record.voltage_V, record.current_A, result)
    duty = read_duty(
        f'name="d"\nchemistry=["li-ion"]\nlowest_rail="{rail_V} V"\nnight_temperature="{cold} degC"\n'
        f'[[modes]]\nname="m"\ncurrent="{on_A * 1000} mA"\nduty_cycle="{share}"\n',
        "study",
    )
    mode = fit(model, duty)["modes"][0]
    hours, given = serve(SimulatedCell(spec, 1.0, cold), on_A, share, rail_V)
    true_state = max(0.0, 1.0 - given / result["capacity_Ah"])
    return {
        "time": mode["run_time_h"] / hours - 1.0 if hours > 0 else 0.0 if mode["run_time_h"] == 0 else 1.0,
        "state": mode["ends_charge_state"] - true_state,
        "covered": abs(mode["run_time_h"] - hours) <= mode["run_time_U_h"],
        "cold": cold,
        "what": f"{spec.curve}, {spec.capacity_Ah:.2f} Ah, R0 {spec.r0_ohm * 1000:.0f} mohm, hysteresis "
        f"{spec.hysteresis_V * 1000:.0f} mV, "
        f"{on_A * 1000:.0f} mA at {100 * share:.0f} %, rail {rail_V} V, {cold:.0f} degC",
    }


def main() -> None:
    """Print the distribution of the errors."""
    parser = argparse.ArgumentParser(description="How far a fit is off.")
    parser.add_argument("--cells", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rows = [one(wanted.seed * 100_000 + k, Path(folder)) for k in range(wanted.cells)]
    for name, chosen in (
        ("all", rows),
        ("20 degC", [r for r in rows if r["cold"] == 20.0]),
        ("10 degC", [r for r in rows if r["cold"] == 10.0]),
        ("0 degC", [r for r in rows if r["cold"] == 0.0]),
    ):
        if not chosen:
            continue
        time = sorted(abs(float(r["time"])) for r in chosen)
        state = sorted(abs(float(r["state"])) for r in chosen)
        at = min(len(chosen) - 1, int(0.95 * len(chosen)))
        parts = [
            f"{name}: {len(chosen)} cells",
            f"run time off by {100 * median(time):.2f} % (median), {100 * time[at]:.2f} % (95 in 100), "
            f"{100 * time[-1]:.2f} % (worst)",
            f"within 5 %: {sum(x <= 0.05 for x in time)}",
            f"charge state off by {100 * median(state):.2f}, {100 * state[at]:.2f}, {100 * state[-1]:.2f} % of charge",
            f"within 3 %: {sum(x <= 0.03 for x in state)}",
            f"inside the stated U: {sum(bool(r['covered']) for r in chosen)}",
        ]
        print("; ".join(parts))
    for r in rows:
        if abs(float(r["time"])) > 0.05 or abs(float(r["state"])) > 0.03:
            off = f"run time {100 * float(r['time']):+.1f} %, state {100 * float(r['state']):+.1f} %"
            print(f"fails: {off}: {r['what']}")


if __name__ == "__main__":
    main()
