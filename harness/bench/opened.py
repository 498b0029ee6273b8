"""The opened instruments of one bench, seen as what they are for the cell.

Which of them measures the cell's voltage, current and temperature with the outputs on and off,
which can let current flow, and what else they measure beside. Reads and gives links back; orders
are the runner's. Volt, ampere, degree Celsius.
"""

from collections.abc import Callable, Mapping
from typing import NamedTuple, cast

from amphora.drivers.errors import DriverError
from amphora.drivers.roles import Instrument, Load, Supply, Switch
from amphora.harness.bench.bench_file import BenchDescription

NO_EXTRA: Mapping[str, float] = {}
IDLE_A = 0.020
SOON_S = 0.2


class CellReading(NamedTuple):
    """What the bench says of the cell at one moment."""

    voltage_V: float | None
    current_A: float | None
    temperature_degC: float | None
    extra: Mapping[str, float]
    room_degC: float | None = None


class Rig:
    """The opened instruments of one bench, and which of them measures the cell."""

    def __init__(self, description: BenchDescription, instruments: Mapping[str, Instrument]) -> None:
        self.description = description
        self.instruments = dict(instruments)
        self.load = cast(Load | None, self._first("load"))
        self.supply = cast(Supply | None, self._first("supply"))
        self.switch = cast(Switch | None, self._first("switch"))
        self.answers: Mapping[str, Mapping[str, float]] = {}  # of the last reading, by instrument
        self.active = ""  # the instrument that lets current flow by order; "" when all is off
        self.leads = ""  # as the step has them: "open", "discharge", "charge"; "" while no step has said
        self.extra_columns: tuple[str, ...] = ()
        self._extras: tuple[tuple[str, str, str], ...] = ()
        on = {description.cell_voltage, *description.cell_current}
        off = {description.cell_voltage_when_off, *description.cell_current}
        if description.cell_temperature:
            on.add(description.cell_temperature)
            off.add(description.cell_temperature)
        if description.room_temperature:
            on.add(description.room_temperature)
            off.add(description.room_temperature)
        self._on = tuple(name for name in self.instruments if name in on)
        self._off = tuple(name for name in self.instruments if name in off)
        self._single = self._on[0] if len(self._on) == 1 and self._on == self._off else None

    def _first(self, role: str) -> Instrument | None:
        name = self.description.first(role)
        return None if name is None else self.instruments.get(name)

    def read(self, energised: bool) -> CellReading:
        """Ask every instrument that measures the cell; one reading each."""
        if self._single is not None:
            values = self.instruments[self._single].read()
            self.answers = {self._single: values}
            return CellReading(
                values.get("voltage_V"),
                self._current(self._single, values),
                values.get("temperature_degC") if self.description.cell_temperature else None,
                NO_EXTRA if not self._extras else self._extra(self.answers),
            )
        instruments = self.instruments
        answers: dict[str, Mapping[str, float]] = {}
        for name in self._on if energised else self._off:
            answers[name] = instruments[name].read()
        self.answers = answers
        bench = self.description
        voltage_from = bench.cell_voltage if energised else bench.cell_voltage_when_off
        current_A: float | None = None
        active, apart = self.active, self.leads == "open"
        for name in bench.cell_current:
            part_A = self._current(name, answers[name]) if apart else answers[name].get("current_A")
            if part_A is None:
                continue
            if active and name != active and active in answers and -IDLE_A < part_A < IDLE_A:
                continue  # the zero error of an instrument that is off is no current of the cell
            current_A = part_A if current_A is None else current_A + part_A
        temperature_degC = None
        if bench.cell_temperature is not None:
            temperature_degC = answers[bench.cell_temperature].get("temperature_degC")
        room_degC = None
        if bench.room_temperature is not None:
            room_degC = answers[bench.room_temperature].get("temperature_degC")
        return CellReading(
            answers[voltage_from].get("voltage_V"),
            current_A,
            temperature_degC,
            NO_EXTRA if not self._extras else self._extra(answers),
            room_degC,
        )

    def renewed_s(self) -> dict[str, float]:
        """Return how often each instrument measures anew, as its dialect or the bench file say; only where they do."""
        return {name: one.abilities.refresh_s for name, one in self.instruments.items() if one.abilities.refresh_s > 0}

    def _current(self, name: str, values: Mapping[str, float]) -> float | None:
        """Return an instrument's share of the cell's current; none flows through a resistor that is not on yet."""
        if self.leads == "open" and "current_A" in values and self.reckoned(name, values):
            return 0.0
        return values.get("current_A")

    def reckoned(self, name: str, values: Mapping[str, float]) -> bool:
        """Tell whether an instrument's current is reckoned from the cell's own voltage over a resistor.

        Such a current is there also while the resistor is not, so it has no zero and checks nothing.
        """
        return "shunt" in self.description.instruments.get(name, {}) and "shunt_V" not in values

    def measured_currents(self) -> tuple[str, ...]:
        """Return who measures the cell's current itself, as far as the last reading shows."""
        answers = self.answers
        return tuple(
            name
            for name in self.description.cell_current
            if "current_A" in answers.get(name, NO_EXTRA) and not self.reckoned(name, answers[name])
        )

    def read_trips(self) -> list[str]:
        """Ask whoever can tell which of its own protections has tripped; return them in words.

        Raises:
            DriverError: an instrument is in trouble.
        """
        found = []
        for name, instrument in self.instruments.items():
            ask: Callable[[], list[str]] | None = getattr(instrument, "read_trips", None)
            if ask is not None:
                found += [f"the {instrument.role}'s {what} has tripped ({name})" for what in ask()]
        return found

    def find_extras(self, answers: Mapping[str, Mapping[str, float]]) -> None:
        """Settle the further columns: what the instruments measure beside the cell's three channels."""
        bench = self.description
        own = {
            (bench.cell_voltage, "voltage_V"),
            (bench.cell_voltage_when_off, "voltage_V"),
            (bench.cell_temperature, "temperature_degC"),
            *((name, "current_A") for name in bench.cell_current),
        }
        found = []
        for name in self._on:
            for key in answers.get(name, {}):
                if (name, key) not in own:
                    found.append((name, key, f"{name}.{key}"))
        self._extras = tuple(found)
        self.extra_columns = tuple(column for _, _, column in found)

    def set_extra_columns(self, columns: tuple[str, ...]) -> None:
        """Take the further columns of a run that goes on."""
        self._extras = tuple((*column.split(".", 1), column) for column in columns)  # type: ignore[misc]
        self.extra_columns = columns

    def _extra(self, answers: Mapping[str, Mapping[str, float]]) -> dict[str, float]:
        return {column: answers[name][key] for name, key, column in self._extras if key in answers.get(name, NO_EXTRA)}

    def beat(self) -> None:
        """Keep in what has to be kept: a held relay, a remote mode that lapses. At least once a second."""
        for instrument in self.instruments.values():
            beat: Callable[[], None] | None = getattr(instrument, "beat", None)
            if beat is not None:
                beat()

    def energising(self) -> list[str]:
        """Return the names of the instruments that can let current flow."""
        return [name for name, one in self.instruments.items() if one.role in ("load", "supply")]

    def close(self) -> None:
        """Give every link back; one failure never skips the next."""
        for instrument in reversed(list(self.instruments.values())):
            try:
                instrument.close()
            except (DriverError, OSError):
                continue
