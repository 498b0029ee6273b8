"""Commands of the bench: look at a real one, serve a simulated one."""

import functools
import sys
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from amphora.harness.cli.asking import ask_for
from amphora.harness.cli.at_the_bench import hand_meter_shows, hands_of, person_at
from amphora.harness.cli.completion import benches, cells, load_dialects, supply_dialects
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, leave, say
from amphora.harness.common.errors import InputError

if TYPE_CHECKING:
    from amphora.drivers.hands import Hands
    from amphora.drivers.roles import Clock, Instrument


OFF_FOR_S = 15.0


def check(
    bench: Annotated[str, typer.Option("--bench", autocompletion=benches, help="A bench file, or 'simulated'.")],
    sensor: Annotated[
        bool, typer.Option("--sensor", help="Prove the cell's temperature sensor: somebody warms it with fingers.")
    ] = False,
    resistor: Annotated[
        bool, typer.Option("--resistor", help="Measure the known resistor that the bench file names.")
    ] = False,
    through: Annotated[
        str | None, typer.Option("--through", help="With --resistor: 'supply', 'load' or 'logger'.")
    ] = None,
    leakage: Annotated[
        bool, typer.Option("--leakage", help="Once per bench: does it drain a cell with its mains unplugged?")
    ] = False,
    wait: Annotated[str, typer.Option("--wait", help="With --leakage: for how long, half an hour at least.")] = "1 h",
    cell: Annotated[
        str | None,
        typer.Option(
            "--cell", autocompletion=cells, help="Judge the voltage by the chemistry of this cell on the shelf."
        ),
    ] = None,
    empty: Annotated[bool, typer.Option("--empty", help="No cell is connected: look at the instruments only.")] = False,
    write: Annotated[
        bool, typer.Option("--write", help="Write the dialects that were found into the bench file.")
    ] = False,
    logs: LogsOption = DEFAULT_LOGS,
    json: JsonOption = False,
) -> None:
    """Look at a bench: who answers and how, readings, what guards itself, what is missing.

    Sends what a run will send, with the outputs off and harmless values, and switches nothing on. With --sensor,
    --resistor, --leakage it guides somebody through a proof and keeps it for the runs of this evening; only
    --resistor switches something on, at 1 V. Ends with 1 when something forbids a run or a proof failed, with 4
    when an instrument is in trouble.

    Example: amphora bench check --bench bench.toml --sensor --resistor
    """
    from datetime import UTC, datetime

    from amphora.harness.archive.shelf import Shelf
    from amphora.harness.common.quantities import parse
    from amphora.harness.running.bench_check import check_bench
    from amphora.harness.running.bench_writing import write_found
    from amphora.harness.running.checks_of_bench import in_words, read_checks

    wait_s = parse(wait, "duration", "--wait")
    if not 1800.0 <= wait_s <= 172800.0:
        raise InputError(f"--wait {wait}: is not accepted; half an hour to two days is")
    if write and bench == "simulated":
        raise InputError("--write: goes with a bench file, and --bench is 'simulated'")
    chemistry = "auto" if cell is None else Shelf(logs).get(cell).chemistry
    if through is not None and not resistor:
        raise InputError(f"--through {through}: goes with --resistor, and --resistor was not given")
    with _Bench(bench) as at:
        at.described_for(sensor=sensor, resistor=resistor)
        found = check_bench(at.description, at.clock, at.open, chemistry=chemistry, empty=empty)
        found["written"] = write_found(Path(bench), found["instruments"]) if write else []
        proofs = (
            at.prove(logs, sensor=sensor, resistor=resistor, through=through, leakage_s=wait_s if leakage else None)
            if not found["trouble"]
            else []
        )
        now = at.clock.utc() if bench == "simulated" else datetime.now(UTC)
        found["proofs"] = proofs
        found["proven"] = in_words(read_checks(logs), at.description, now)
        found["passed"] = found["passed"] and all(one["passed"] for one in proofs)

    def show() -> None:
        print(f"{found['bench']}: {'fit for a run' if found['passed'] else 'NOT fit for a run'}")
        for name, one in found["instruments"].items():
            if "trouble" in one:
                print(f"  {name} ({one['role']}): in trouble, see below")
                continue
            values = ", ".join(_shown(key, value) for key, value in one["readings"].items())
            print(f"  {name} ({one['role']}): {one['identity']}; {values}")
            for line in _how(one, at.description.instruments[name]):
                print(f"    {line}")
        for title, key in (
            ("written to the bench file", "written"),
            ("problem", "problems"),
            ("protected", "guards"),
            ("not protected", "missing"),
            ("proof", "proven"),
        ):
            for line in found[key]:
                print(f"  {title}: {line}")
        if found["passed"] and cell is not None:
            show_next("plan", "--cell", cell, "--profile", "overnight", "--bench", bench, logs=logs)
        elif found["passed"]:
            show_next("cell", "list", logs=logs)

    answer(found, json, show)
    if found["trouble"] and json:
        for name in found["trouble"]:
            say(f"amphora: {next(text for text in found['problems'] if name in text)}")
    elif found["trouble"]:  # what is wrong with each has just been shown
        say(f"amphora: in trouble: {', '.join(found['trouble'])}; mend that, then run this again")
    if found["trouble"] or not found["passed"]:
        leave(found["exit_code"] or 1)


def _how(one: Mapping[str, Any], table: Mapping[str, Any]) -> list[str]:
    """Return how an instrument answers, in lines."""
    lines = []
    if "dialect" in one:
        named = table.get("dialect", "auto") != "auto"
        lines.append(
            f"dialect {one['dialect']}{'' if named else ', found by asking'}"
            + (f"; has no {', '.join(text.replace('_', ' ') for text in one['lacks'])}" if one["lacks"] else "")
            + ("" if named else "; --write puts it into the bench file")
        )
    if one["latency_s"] is not None:
        renewed_s = one["renewed_s"]
        lines.append(
            f"answers in {one['latency_s'] * 1000:.3g} ms, at most {one['longest_s'] * 1000:.3g} ms; "
            + (
                "too little changed to see how often its readings are renewed"
                if renewed_s is None
                else "a new reading each time"
                if renewed_s == 0.0
                else f"readings renewed about every {renewed_s:.2g} s"
            )
        )
    if one["tried"]:
        moved = "with nothing flowing" if one["role"] == "switch" else "with its output off"
        lines.append(f"tried {moved}: {', '.join(one['tried'])}")
    return lines


def off(
    bench: Annotated[str, typer.Option("--bench", autocompletion=benches, help="A bench file.")],
    json: JsonOption = False,
) -> None:
    """Switch off all that can let current flow, and see that it is off: read back, its current measured.

    For a bench that something left on: a computer that died in mid-run, say. OFF goes out first, before anything is
    asked, as the last run prepared it (NAME.off.json beside the bench file), else by the bench file. An instrument
    that a run has is left to it: end the run with Ctrl-C. Ends with 4 when something may still be on.

    Example: amphora bench off --bench bench.toml
    """
    from amphora.harness.bench.bench_file import load_bench
    from amphora.harness.running.switch_off import (
        beside,
        make_all_safe,
        off_limit_A,
        read_sheet,
        sheet_from_bench,
        switch_off_now,
    )

    if bench == "simulated":
        with _Bench(bench) as at:
            description = at.description
            opened = {name: at.open(name, table, at.clock) for name, table in description.instruments.items()}
            limits_A = {name: off_limit_A(description, name) for name in opened}
            found = make_all_safe(opened, at.clock, limits_A)
    else:
        description = load_bench(Path(bench))
        sheet = sheet_from_bench(description, known=read_sheet(beside(description.where)))
        found = switch_off_now(sheet, OFF_FOR_S, "bench off")
    all_off = all(one["off"] for one in found.values())

    def show() -> None:
        if not found:
            print(f"{description.name}: nothing in it can let current flow by an order")
        for name, one in found.items():
            print(f"  {name}: {'off' if one['off'] else 'NOT KNOWN TO BE OFF'} ({one['text']})")

    answer({"bench": description.name, "off": all_off, "instruments": found}, json, show)
    if not all_off:
        for name, one in found.items():
            if one.get("held"):
                say(f"amphora: {name}: {one['text']}")
        if any(not one["off"] and not one.get("held") for one in found.values()):
            say("amphora: SOMETHING MAY STILL BE ON: pull the leads at the cell now")
        leave(4)


class _Bench:
    """A bench that is looked at: real ones are held for as long, so that no run begins meanwhile."""

    def __init__(self, bench: str) -> None:
        from amphora.harness.bench.operator import ObligingPerson

        self.person: Any
        self._stack = ExitStack()
        self._simulated: Any = None
        self._hands: Hands | None = None
        if bench == "simulated":
            from amphora.drivers.simulated.bench import SimulatedBench
            from amphora.harness.bench.bench_file import bench_from_dict

            self._simulated = simulated = SimulatedBench(seed=1)  # as `run` has it
            self.description = bench_from_dict(simulated.description, "simulated")
            self.clock: Clock = simulated.clock
            self.open: Callable[..., Instrument] = lambda name, table, clock: simulated.instruments[name]
            self.person = ObligingPerson(hands=simulated.asked)
            return
        from amphora.drivers.clock import RealClock, ScaledClock
        from amphora.drivers.opening import open_instrument
        from amphora.harness.bench.bench_file import load_bench

        self.description = load_bench(Path(bench))
        speed_up = self.description.speed_up
        self.clock = RealClock() if speed_up == 1.0 else ScaledClock(speed_up)
        self.open = open_instrument
        self._hands = hands_of(self.description)
        self.person = person_at(self.description, self._hands)

    def __enter__(self) -> "_Bench":
        if self._simulated is None:
            from amphora.harness.running.session import held

            self._stack.enter_context(held(self.description))
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
    ) -> list[dict[str, Any]]:
        """Guide somebody through what was asked for; return what came out, kept beside the cells."""
        from amphora.drivers.errors import DriverError
        from amphora.harness.common.errors import BenchError
        from amphora.harness.running import checks_of_bench as proofs
        from amphora.harness.running.check_leakage import check_leakage
        from amphora.harness.running.check_resistor import check_resistor
        from amphora.harness.running.check_sensor import prove_sensor
        from amphora.harness.running.session import hold_identities, open_rig

        bench, done = self.description, []
        try:
            if sensor or resistor:
                rig = open_rig(bench, self.clock, self.open)
                held = ExitStack()
                try:
                    held = hold_identities(bench, rig)
                    who = {name: instrument.identify() for name, instrument in rig.instruments.items()}
                    if sensor:
                        name = str(bench.cell_temperature)
                        made = prove_sensor(rig, name, self.clock, self.person, say)
                        if made["proven"]:
                            proofs.keep(logs, bench, {name: who[name]}, "sensor-proven", self.clock.utc(), **made)
                        done.append({"kind": "sensor-proven", "passed": made["proven"], **made})
                    if resistor and bench.check_resistor is not None:
                        made = check_resistor(rig, bench.check_resistor, self.clock, self.person, say, through)
                        used = {made["voltage_by"], made["instrument"]}
                        proofs.keep(
                            logs, bench, {name: who[name] for name in sorted(used)}, "check-resistor",
                            self.clock.utc(), **made,
                        )  # fmt: skip
                        done.append({"kind": "check-resistor", **made})
                finally:
                    rig.close()
                    held.close()
            if leakage_s is not None:
                read_V, by = self._voltmeter()
                made = check_leakage(read_V, by, leakage_s, self.clock, self.person, say)
                proofs.keep(logs, bench, {}, "leakage", self.clock.utc(), **made)
                done.append({"kind": "leakage", **made})
        except DriverError as error:
            raise BenchError(str(error)) from error
        for one in done:
            say(one["text"])
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
    from amphora.harness.common.quantities import parse

    prompt = f"Hand meter at the cell, {when} the wait, in its finest range (as '3.912 V'{hand_meter_shows(hands)}): "
    return ask_for(prompt, lambda typed: parse(typed, "voltage", "hand meter"))


def _shown(key: str, value: float) -> str:
    name, _, unit = key.rpartition("_")
    return f"{name} {value:.4g} {'°C' if unit == 'degC' else unit}"


def simulate(
    bench_out: Annotated[Path, typer.Option("--bench-out", help="Where the bench file is written.")],
    truth_out: Annotated[Path | None, typer.Option("--truth-out", help="Where the simulated truth is written.")] = None,
    cell: Annotated[
        str,
        typer.Option("--cell", help="Kind of cell: unmarked, li-ion, aged-lfp, ...; a wrong one lists all."),
    ] = "unmarked",
    seed: Annotated[int, typer.Option("--seed", help="Seed of cell and instruments.")] = 1,
    speed_up: Annotated[
        float, typer.Option("--speed-up", help="Speed of simulated time: 600 makes an hour 6 s.")
    ] = 1.0,
    start_soc: Annotated[
        float | None, typer.Option("--start-soc", help="Share of charge at the start, 0 to 1.")
    ] = None,
    load_dialect: Annotated[
        str, typer.Option("--load-dialect", autocompletion=load_dialects, help="How the load spells its commands.")
    ] = ("load-function-input"),
    supply_dialect: Annotated[
        str,
        typer.Option("--supply-dialect", autocompletion=supply_dialects, help="How the supply spells its commands."),
    ] = ("supply-plain"),
    clip_on_after: Annotated[
        str, typer.Option("--clip-on-after", help="With --resistor: when it is clipped on, in the bench's time.")
    ] = "0 s",
    resistor: Annotated[
        str | None, typer.Option("--resistor", help="Only a resistor and a serial logger, as '10 ohm'.")
    ] = None,
    short_ohm: Annotated[
        float | None,
        typer.Option("--short-ohm", help="Short inside the cell, in ohm; also changes a 'shorted-' kind's."),
    ] = None,
) -> None:
    """Serve a simulated bench: SCPI over TCP and a logger on a pseudo-terminal, on this computer only.

    Writes a bench file for it, prints 'ready', and runs until it is ended. With --resistor, the
    signal USR1 clips the resistor on.

    Example: amphora bench simulate --bench-out sim.toml --cell li-ion --speed-up 100
    """
    import json
    import signal
    import threading

    from amphora.drivers.simulated.cell import KINDS
    from amphora.drivers.simulated.servers import ServedBench
    from amphora.harness.archive.journal import write_out
    from amphora.harness.common.fields import finite
    from amphora.harness.common.quantities import parse

    if cell not in KINDS:
        raise InputError(f"--cell {cell}: is not known; {', '.join(KINDS)} are accepted")
    if not 0.0 < speed_up <= 100000.0:
        raise InputError(f"--speed-up {speed_up:g}: is not accepted; a number above 0 up to 100000 is")
    if start_soc is not None and not 0.0 <= start_soc <= 1.0:
        raise InputError(f"--start-soc {start_soc:g}: is not accepted; a share from 0 to 1 is")
    if short_ohm is not None and not 0.1 <= short_ohm <= 1e6:
        raise InputError(f"--short-ohm {short_ohm:g}: is not accepted; ohm from 0.1 to 1000000 are")
    ohm = None if resistor is None else parse(resistor, "resistance", "--resistor")
    ended = threading.Event()
    code: list[int] = []

    def end(number: int, frame: Any) -> None:
        code.append({signal.SIGINT: 130}.get(signal.Signals(number), 143))
        ended.set()

    for name in ("SIGINT", "SIGTERM"):
        signal.signal(getattr(signal, name), end)
    served = ServedBench(
        cell,
        seed,
        start_soc=start_soc,
        speed_up=speed_up,
        load_dialect=load_dialect,
        supply_dialect=supply_dialect,
        resistor_ohm=ohm,
        clip_on_after_s=parse(clip_on_after, "duration", "--clip-on-after"),
        short_ohm=short_ohm,
    )
    if ohm is not None and hasattr(signal, "SIGUSR1"):
        signal.signal(signal.SIGUSR1, lambda number, frame: served.clip_on())
    served.start()
    try:
        truth = served.truth()
        texts = [(bench_out, served.bench_file())]
        if truth_out is not None:  # first: whoever sees the bench file finds the truth beside it
            texts.insert(0, (truth_out, json.dumps(finite(truth), indent=1) + "\n"))
        for path, text in texts:
            write_out(path, text)
        over_tcp = f"{len(served.scpi)} instruments over TCP, " if served.scpi else ""
        say(f"{over_tcp}a logger at {served.logger.port}; Ctrl-C ends it")
        print("ready", flush=True)
        while not ended.wait(0.2):
            pass
    finally:
        served.stop()
    leave(code[0] if code else 0)
