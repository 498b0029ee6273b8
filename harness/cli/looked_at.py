"""A bench that somebody looks at: opened, held for as long, and proved where asked."""

import functools
import sys
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from amphora.drivers.clock import RealClock, ScaledClock
from amphora.drivers.errors import DriverError
from amphora.drivers.hands import Hands
from amphora.drivers.opening import open_instrument
from amphora.drivers.roles import Clock, Instrument
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.harness.bench.bench_file import bench_from_dict, load_bench
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.cli.asking import ask_for
from amphora.harness.cli.at_the_bench import hand_meter_shows, hands_of, person_at
from amphora.harness.cli.output import say
from amphora.harness.common.errors import BenchError, InputError
from amphora.harness.common.quantities import parse
from amphora.harness.running import checks_of_bench as checks
from amphora.harness.running import session
from amphora.harness.running.check_leakage import check_leakage
from amphora.harness.running.check_resistor import check_resistor
from amphora.harness.running.check_sensor import prove_sensor
from amphora.harness.running.session import hold_identities, open_rig


class LookedAt:
    """A bench that is looked at: real ones are held for as long, so that no run begins meanwhile."""

    def __init__(self, bench: str) -> None:
        self.person: Any
        self._stack = ExitStack()
        self._simulated: Any = None
        self._hands: Hands | None = None
        if bench == "simulated":
            self._simulated = simulated = SimulatedBench(seed=1)  # as `run` has it
            self.description = bench_from_dict(simulated.description, "simulated")
            self.clock: Clock = simulated.clock
            self.open: Callable[..., Instrument] = lambda name, table, clock: simulated.instruments[name]
            self.person = ObligingPerson(hands=simulated.asked)
            return
        self.description = load_bench(Path(bench))
        speed_up = self.description.speed_up
        self.clock = RealClock() if speed_up == 1.0 else ScaledClock(speed_up)
        self.open = open_instrument
        self._hands = hands_of(self.description)
        self.person = person_at(self.description, self._hands)

    def __enter__(self) -> "LookedAt":
        if self._simulated is None:
            self._stack.enter_context(session.held(self.description))
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def described_for(self, *, sensor: bool, resistor: bool) -> None:
        """Refuse a proof that the bench file has nothing for, before anything is opened."""
        where = self.description.where
        if sensor and self.description.cell_temperature is None:
            raise InputError(f"{where}: cell.temperature names no sensor, so there is none to prove")
        if resistor and self.description.check_resistor is None:
            raise InputError(
                f'{where}: has no [check_resistor]; resistance = "10 ohm" and tolerance = "0.1 %" are accepted there'
            )

    def prove(
        self, logs: Path, *, sensor: bool, resistor: bool, through: str | None, leakage_s: float | None
    ) -> list[checks.Made]:
        """Guide somebody through what was asked for; return what came out, kept beside the cells."""
        bench, done = self.description, list[checks.Made]()
        try:
            if sensor or resistor:
                rig = open_rig(bench, self.clock, self.open)
                held = ExitStack()
                try:
                    held = hold_identities(bench, rig)
                    who = {name: instrument.identify() for name, instrument in rig.instruments.items()}
                    if sensor:
                        name = str(bench.cell_temperature)
                        warmed = prove_sensor(rig, name, self.clock, self.person, say)
                        if warmed.proven:
                            checks.keep(logs, bench, {name: who[name]}, warmed, self.clock.utc())
                        done.append(warmed)
                    if resistor and bench.check_resistor is not None:
                        made = check_resistor(rig, bench.check_resistor, self.clock, self.person, say, through)
                        used = {str(made.voltage_by), str(made.instrument)}
                        checks.keep(logs, bench, {name: who[name] for name in sorted(used)}, made, self.clock.utc())
                        done.append(made)
                finally:
                    rig.close()
                    held.close()
            if leakage_s is not None:
                read_V, by = self._voltmeter()
                leak = check_leakage(read_V, by, leakage_s, self.clock, self.person, say)
                checks.keep(logs, bench, {}, leak, self.clock.utc())
                done.append(leak)
        except DriverError as error:
            raise BenchError(str(error)) from error
        for one in done:
            say(one.text or "")
        return done

    def _voltmeter(self) -> tuple[Callable[[str], float], str]:
        """Return who measures while load and supply are unplugged: a separate voltmeter, else a person with one."""
        bench = self.description
        for name in (bench.cell_voltage_when_off, bench.cell_voltage):
            if bench.role_of(name) in ("meter", "logger"):
                return functools.partial(self._metered, name), name
        if self._simulated is not None:
            return (lambda when: float(self._simulated.hand_meter_V())), "hand meter"
        if self._hands is not None and not sys.stdin.isatty():
            hands = self._hands
            return (lambda when: hands.hand_meter_V()), "hand meter"
        if not sys.stdin.isatty():
            raise InputError(
                "--leakage: a person with a hand meter is needed, and standard input is no terminal: start it at one"
            )
        return functools.partial(_hand_meter, self._hands), "hand meter"

    def _metered(self, name: str, when: str) -> float:
        say(f"{name} reads the cell, {when} the wait")
        instrument = self.open(name, self.description.instruments[name], self.clock)
        try:
            values = []
            for _ in range(10):
                value = instrument.read().get("voltage_V")
                if value is not None:
                    values.append(value)
                self.clock.sleep(0.5)
        finally:
            instrument.close()
        if not values:
            raise InputError(f"{name}: gives no voltage, and it is named for the cell")
        return sum(values) / len(values)


def _hand_meter(hands: "Hands | None", when: str) -> float:
    prompt = f"Hand meter at the cell, {when} the wait, in its finest range (as '3.912 V'{hand_meter_shows(hands)}): "
    return ask_for(prompt, lambda typed: parse(typed, "voltage", "hand meter"))
