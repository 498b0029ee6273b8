"""The simulated bench as real servers: SCPI over TCP and a logger on a pseudo-terminal.

Everything listens on the loopback address only, on free ports. Needs a system with
pseudo-terminals for the logger; without them the logger is served as `socket://`.
"""

import contextlib
import os
import socket
import threading
from typing import Any

from amphora.drivers.hands import HandsServer
from amphora.drivers.roles import Clock
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import shorted
from amphora.drivers.simulated.parts import SimThermometer

LINE_S = 0.5  # of the bench's time, between two lines of the logger
FASTEST_S = 0.02  # of real time


class LoggerServer:
    """Prints the plain line format: `t_ms,voltage_V,current_A,temperature_degC`.

    Args:
        bench: Whose cell is seen.
        clock: The bench's clock.
        lock: Held while the bench is asked.
        electrical: Whether it also measures voltage and current.
        speed_up: How fast the bench lives; lines come as often in its time.
    """

    def __init__(
        self,
        bench: SimulatedBench,
        clock: Clock,
        lock: threading.RLock,
        electrical: bool,
        speed_up: float = 1.0,
    ) -> None:
        self._bench = bench
        self._clock = clock
        self._lock = lock
        self._electrical = electrical
        self._every_s = max(LINE_S / speed_up, FASTEST_S)
        self._stop = threading.Event()
        self._descriptors: list[int] = []
        self._listener: socket.socket | None = None
        self._clients: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self.silent = threading.Event()
        self.port = self._open()

    def _open(self) -> str:
        if hasattr(os, "openpty"):
            import tty

            master, slave = os.openpty()
            tty.setraw(master)
            tty.setraw(slave)
            os.set_blocking(master, False)
            # The slave is held, or the master would see an end whenever a client closes.
            self._descriptors = [master, slave]
            return os.ttyname(slave)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._threads.append(threading.Thread(target=self._accept, daemon=True))
        return f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def start(self) -> None:
        """Begin to print."""
        self._threads.append(threading.Thread(target=self._print, name="simulated-logger", daemon=True))
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End; the port goes away. May be called twice."""
        self._stop.set()
        for thread in self._threads:
            thread.join(timeout=2.0)
        self._threads = []
        for descriptor in self._descriptors:
            with contextlib.suppress(OSError):
                os.close(descriptor)
        self._descriptors = []
        for sock in (*self._clients, self._listener):
            if sock is not None:
                sock.close()

    def _accept(self) -> None:
        assert self._listener is not None
        self._listener.settimeout(0.2)
        while not self._stop.is_set():
            with contextlib.suppress(OSError):
                self._clients.append(self._listener.accept()[0])

    def line(self) -> str:
        """Return what the logger prints now."""
        with self._lock:
            bench = self._bench
            bench.update()
            thermometer: SimThermometer = bench.thermometer
            degC = "" if thermometer.lost else f"{thermometer.temperature.read(thermometer.true_degC()):.2f}"
            t_ms = int(self._clock.now_s() * 1000.0) % 2**32
            if not self._electrical:
                return f"{t_ms},,,{degC}\n"
            volts = thermometer.voltage.read(bench.sense_voltage())
            return f"{t_ms},{volts:.4f},,{degC}\n"

    def _print(self) -> None:
        while not self._stop.wait(self._every_s):
            if self.silent.is_set():
                continue
            data = self.line().encode()
            if self._descriptors:
                with contextlib.suppress(OSError):  # nobody reads: lines are lost, as on a real port
                    os.write(self._descriptors[0], data)
            for client in list(self._clients):
                try:
                    client.sendall(data)
                except OSError:
                    self._clients.remove(client)


class ServedBench:
    """A simulated bench with its servers running.

    Args:
        kind, seed, start_soc: The cell.
        short_ohm: Resistance of the short inside it, in place of the kind's own; None: as the kind comes.
        speed_up: How many seconds of the bench pass in one real second.
        load_dialect, supply_dialect: How the SCPI instruments spell their commands.
        resistor_ohm: Only a resistor and a logger: no load, no supply.
        clip_on_after_s: When the resistor is clipped on, in the bench's time.
    """

    def __init__(
        self,
        kind: str = "li-ion",
        seed: int = 1,
        *,
        start_soc: float | None = None,
        speed_up: float = 1.0,
        load_dialect: str = "load-function-input",
        supply_dialect: str = "supply-plain",
        resistor_ohm: float | None = None,
        clip_on_after_s: float = 0.0,
        short_ohm: float | None = None,
    ) -> None:
        from amphora.drivers.clock import RealClock, ScaledClock
        from amphora.drivers.simulated.scpi_server import ScpiServer

        self.speed_up = speed_up
        self.clock = RealClock() if speed_up == 1.0 else ScaledClock(speed_up)
        self.bench = SimulatedBench(kind, seed, start_soc=start_soc, clock=self.clock)
        if short_ohm is not None:
            self.bench.cell.spec = shorted(self.bench.cell.spec, short_ohm)
            self.bench.touch()
        self.lock = threading.RLock()
        self.resistor_ohm = resistor_ohm
        self._clip_on_after_s = clip_on_after_s
        self.logger = LoggerServer(self.bench, self.clock, self.lock, resistor_ohm is not None, speed_up)
        self.hands = HandsServer(self._act, self._hand_meter_V)
        self.scpi: dict[str, ScpiServer] = {}
        if resistor_ohm is None:
            for name, dialect in (("load", load_dialect), ("supply", supply_dialect)):
                instrument: Any = self.bench.instruments[name]
                self.scpi[name] = ScpiServer(
                    instrument, dialect, identity=instrument.identity, lock=self.lock, now=self.clock.now_s
                )
        else:
            self.bench.load.set_discharge("resistance", resistor_ohm)

    def start(self) -> None:
        """Serve."""
        for server in self.scpi.values():
            server.start()
        self.logger.start()
        self.hands.start()
        if self.resistor_ohm is not None:
            with self.lock:
                at_s = self.clock.now_s() + self._clip_on_after_s
                self.bench.at(at_s, "resistor clipped on", lambda bench: bench.load.set_input(True))

    def _act(self, what: str) -> None:
        """Do by hand what another process asks for; with only a resistor, drain the cell through it or stop that."""
        with self.lock:
            if self.resistor_ohm is not None and what in ("drain-through-resistor", "resistor-off-cell"):
                self.bench.load.set_input(what == "drain-through-resistor")
            self.bench.asked(what)

    def _hand_meter_V(self) -> float:
        with self.lock:
            return self.bench.hand_meter_V()

    def clip_on(self) -> None:
        """Clip the resistor on, now."""
        self.bench.at(self.clock.now_s(), "resistor clipped on", lambda bench: bench.load.set_input(True))

    def stop(self) -> None:
        """End every server."""
        for server in self.scpi.values():
            server.stop()
        self.hands.stop()
        self.logger.stop()

    def bench_file(self) -> str:
        """Return a bench file for these servers, as TOML."""
        described = self.bench.description["instruments"]
        lines = ['name = "simulated bench"', 'leads = "wired"', "simulated = true", f'hands = "{self.hands.address}"']
        if self.speed_up != 1.0:
            lines.append(f"speed_up = {self.speed_up:g}")
        for name, server in self.scpi.items():
            lines += ["", f"[instruments.{name}]", f'role = "{name}"', f'resource = "{server.resource}"']
            lines += [f'dialect = "{server.dialect.name}"']
            lines += [f'identity = "{self.bench.instruments[name].identify()}"', 'timeout = "2 s"']
            if name == "supply":
                lines.append("measures_with_output_off = false")
            lines += _specification(name, described[name]["specification"])
        lines += [
            "",
            "[instruments.thermometer]",
            'role = "logger"',
            f'port = "{self.logger.port}"',
            'format = "plain"',
        ]
        if self.resistor_ohm is not None:
            shunt_ohm = self.resistor_ohm + self.bench.lead_ohm  # as measured at the sense wires, leads and all
            lines += [f'shunt = "{shunt_ohm:g} ohm"']
            specification = {
                "voltage": described["load"]["specification"]["voltage"],
                "current": {"gain": "0.1 %", "offset": "0.2 mA", "resolution": "0.01 mA"},
                **described["thermometer"]["specification"],
            }
            lines += _specification("thermometer", specification)
            lines += ["", "[cell]", 'voltage = "thermometer"', 'current = "thermometer"', 'temperature = "thermometer"']
        else:
            lines += _specification("thermometer", described["thermometer"]["specification"])
            lines += ["", "[cell]", 'voltage = "load"', 'current = ["load", "supply"]', 'temperature = "thermometer"']
        return "\n".join(lines) + "\n"

    def truth(self) -> dict[str, Any]:
        """Return what is really there, and how each instrument is reached."""
        current_A = None
        if self.resistor_ohm is not None:
            current_A = round(3.7 / self.resistor_ohm, 3)
        truth = self.bench.truth(current_A)
        truth["resources"] = {name: server.resource for name, server in self.scpi.items()}
        truth["resources"]["logger"] = self.logger.port
        truth["speed_up"] = self.speed_up
        return truth


def _specification(name: str, channels: dict[str, dict[str, str]]) -> list[str]:
    lines = []
    for channel, table in channels.items():
        lines.append(f"[instruments.{name}.specification.{channel}]")
        lines += [f'{key} = "{value}"' for key, value in table.items()]
    return lines
