"""The plain records that analysis works on.

Signs: current positive INTO the cell. Units SI, charge in ampere-hours, energy in watt-hours.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BLOCK_ROWS = 1 << 15  # what is worked on at a time in a long record: stays in the processor's own memory


def blocks(size: int, begin: int = 0) -> Iterator[tuple[int, int]]:
    """Yield [first, last) of consecutive parts of the rows [begin, size), each at most `BLOCK_ROWS` long.

    Source: common practice; a whole night at once would need several times its memory.
    """
    for first in range(begin, size, BLOCK_ROWS):
        yield first, min(first + BLOCK_ROWS, size)


@dataclass(frozen=True)
class RecordGap:
    """A stretch without readings, after row `after_row - 1` and before row `after_row`.

    `charge_low_Ah`, `charge_high_Ah`: bounds of the signed charge that passed; None when unknown.
    """

    after_row: int
    from_s: float
    to_s: float
    charge_low_Ah: float | None = None
    charge_high_Ah: float | None = None


@dataclass(frozen=True)
class Specification:
    """What a measuring channel may be off by, correlated through a run.

    `gain` is relative, `offset` and `resolution` in the channel's unit. `rectangular`: limits
    (half-widths); `normal`: expanded with `k`. `gain_per_K` and `offset_per_K` count for each kelvin
    beyond `reference_degC` +- `band_K`, which the instrument was away by `away_K`. `measured`: which
    of gain and offset were measured that evening; `gain_follows_voltage`: the gain was compared with
    a resistor, so that an error of the voltmeter is in it too.
    """

    gain: float
    offset: float
    resolution: float = 0.0
    distribution: Literal["rectangular", "normal"] = "rectangular"
    k: float = 2.0
    assumed: bool = False
    gain_per_K: float = 0.0
    offset_per_K: float = 0.0
    reference_degC: float = 23.0
    band_K: float = 5.0
    away_K: float = 0.0
    measured: tuple[str, ...] = ()
    gain_follows_voltage: bool = False
    gain_note: str = ""
    offset_note: str = ""
    temperature_note: str = ""


@dataclass(frozen=True)
class Measurement:
    """The specifications of one bench. `time` uses `gain` alone (50e-6 is 50 ppm)."""

    voltage: Specification
    current: Specification
    temperature: Specification
    time: Specification

    def channels(self) -> tuple[tuple[str, Specification], ...]:
        """Return the name and the specification of each channel."""
        return tuple((item.name, getattr(self, item.name)) for item in fields(self))


@dataclass(frozen=True)
class Timing:
    """How well the moments of readings and orders are known.

    `renewed_s`: so old may be what a channel shows, because its instrument measures anew only that often (0: with each
    question). A reading of it was measured within [t_s - took_s / 2 - renewed_s, t_s + took_s / 2], and `took_s` is
    the record's column of that name. `together`: voltage and current of a reading come from one instrument. `known`:
    the run says so itself; else these are assumptions.
    """

    voltage_renewed_s: float = 0.0
    current_renewed_s: float = 0.0
    together: bool = False
    known: bool = False


@dataclass(frozen=True)
class Record:
    """One run's or one file's readings, shape (n,) each; NaN where a channel had no value."""

    t_s: FloatArray
    voltage_V: FloatArray
    current_A: FloatArray
    temperature_degC: FloatArray
    step: IntArray  # step as executed; -1 where unknown
    switches_s: FloatArray  # when an order changed the current, in t_s; empty where unknown
    gaps: tuple[RecordGap, ...] = ()
    extra: dict[str, FloatArray] = field(default_factory=dict)
    orders_within_s: float = 0.0  # how long after its instant an order may have acted, where that is long
    switches_until_s: FloatArray = field(default_factory=lambda: np.empty(0))  # each acted by then; empty: not known
    timing: Timing = Timing()

    @property
    def took_s(self) -> FloatArray:
        """How long the answer of each reading took, shape (n,); NaN where not known, 0 where none was worth noting."""
        took_s = self.extra.get("took_s")
        if took_s is None:
            return np.broadcast_to(np.float64(0.0 if self.timing.known else np.nan), self.t_s.shape)
        return np.where(np.isfinite(took_s), took_s, 0.0)


@dataclass(frozen=True)
class MeasuredZero:
    """What an instrument showed while nothing could flow (event `current-zero`), signed into the cell."""

    instrument: str
    current_A: float
    standard_u_A: float
    t_s: float
    readings: int = 0
    duration_s: float = 0.0


@dataclass(frozen=True)
class CheckedResistor:
    """A resistor of known value as the bench measured it (event `check-resistor`); `tolerance` is relative.

    `current_A` as shown and `zero_A`, what was shown with nothing flowing; `drop`: the voltage is a difference
    of two readings, so that the voltmeter's offset is not in it.
    """

    resistance_ohm: float
    tolerance: float
    voltage_V: float
    current_A: float
    deviation: float
    zero_A: float = 0.0
    instrument: str = ""
    voltage_by: str = ""
    drop: bool = False
    passed: bool = True


@dataclass(frozen=True)
class RunInfo:
    """What is known beside the readings."""

    run_id: str
    cell_id: str
    form: str
    chemistry: str  # a key of profiles/chemistries, or "auto"
    start: Literal["full", "declared-full", "unknown"]
    cutoff_V: float | None
    measurement: Measurement
    step_kinds: tuple[str, ...] = ()  # kind by step as executed
    profile: str = ""
    finished: bool = True
    stop: str | None = None
    created_utc: str = ""
    cell: dict[str, Any] = field(default_factory=dict)
    bench: dict[str, Any] = field(default_factory=dict)
    zeros: tuple[MeasuredZero, ...] = ()  # in order of time
    check: CheckedResistor | None = None
    current_of: tuple[tuple[str, str], ...] = ()  # (instrument, role) that measure the current, as the bench lists them
