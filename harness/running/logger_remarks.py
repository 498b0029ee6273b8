"""What the loggers of a run notice beside their readings: started again, lines that were no readings."""

from collections.abc import Callable
from dataclasses import dataclass

from amphora.drivers.roles import Instrument
from amphora.harness.bench.opened import Rig
from amphora.harness.control.events import InstrumentTrouble
from amphora.harness.running.run_so_far import RunSoFar, Stop

REMARKS_EVERY_S = 60.0  # how often a logger is asked what it noticed beside its readings
RESTARTED = "started again"  # in what a logger remarks


@dataclass
class LoggerRemarks:
    """Asks the loggers once in a while.

    Args:
        unproven: Called with a sentence where the sensor at the cell lost its proof: its logger started again.
    """

    so_far: RunSoFar
    rig: Rig
    unproven: Callable[[str], None] | None = None
    asked_s: float = 0.0

    @property
    def loggers(self) -> list[Instrument]:
        """Who may have something to remark."""
        return [one for one in self.rig.instruments.values() if one.role == "logger"]

    def note(self) -> None:
        """Record what they noticed since they were asked last.

        Raises:
            Stop: the sensor at the cell is not proven any more, and the run charges.
            DriverError: one does not answer.
        """
        self.asked_s = self.so_far.now_s()
        for logger in self.loggers:
            for remark in logger.read_errors():
                text = remark if logger.name in remark else f"{logger.name}: {remark}"
                self.so_far.event(InstrumentTrouble(text))
                if RESTARTED in remark and logger.name == self.rig.description.cell_temperature:
                    self._sensor_restarted(text)

    def _sensor_restarted(self, text: str) -> None:
        """End what was proven of the sensor, and a charge that relies on it.

        Raises:
            Stop: it charges; the run can be resumed once the sensor was proven again.
        """
        if self.unproven is not None:
            self.unproven(text)
        if self.so_far.plan.needs_temperature and self.so_far.state.order.kind == "charge":
            raise Stop(
                "instrument",
                f"{text}; the sensor at the cell is not proven any more, and this run charges: "
                "'amphora bench check --sensor', then resume",
            )
