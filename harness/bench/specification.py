"""What the channels of an instrument may be off by: as a bench file gives it, and as run.json holds it.

A maker gives limits (rectangular), a calibration an expanded uncertainty with its k (normal). Where a file gives
nothing, a cheap bench is assumed, and marked as such.
"""

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, cast

from amphora.drivers.quantities import NotAQuantity, read
from amphora.harness.common.as_json import LEFT_OUT
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import as_written, finite_number, shown

CHANNELS = ("voltage", "current", "temperature", "time")
KIND_OF = {"voltage": "voltage", "current": "current", "temperature": "temperature_accuracy", "time": "ratio"}


@dataclass(frozen=True, slots=True)
class ChannelSpecification:
    """What one channel may be off by. `gain`: relative; `offset`, `resolution`: in the channel's unit.

    `gain_per_K`, `offset_per_K` count for each kelvin beyond `reference_degC` by more than `band_K`. `orders_within_s`
    (of time): how late an order is carried out, where that is longer than usual.
    """

    gain: float
    offset: float
    resolution: float
    distribution: Literal["rectangular", "normal"] = "rectangular"
    k: float = 2.0
    assumed: bool = True
    gain_per_K: float | None = field(default=None, metadata=LEFT_OUT)
    offset_per_K: float | None = field(default=None, metadata=LEFT_OUT)
    reference_degC: float | None = field(default=None, metadata=LEFT_OUT)
    band_K: float | None = field(default=None, metadata=LEFT_OUT)
    orders_within_s: float | None = field(default=None, metadata=LEFT_OUT)

    def most(self, value: float) -> float:
        """Return by how much a value may be off at most, in its unit."""
        return self.gain * abs(value) + self.offset + self.resolution


@dataclass(frozen=True, slots=True)
class BenchMeasurement:
    """The specifications of a run's channels, as run.json holds them."""

    voltage: ChannelSpecification
    current: ChannelSpecification
    temperature: ChannelSpecification
    time: ChannelSpecification


# What a bench that gives no specification is taken to have: assumptions, marked as such.
ASSUMED: Mapping[str, ChannelSpecification] = {
    "voltage": ChannelSpecification(gain=0.001, offset=0.005, resolution=0.001),
    "current": ChannelSpecification(gain=0.005, offset=0.010, resolution=0.001),
    "temperature": ChannelSpecification(gain=0.0, offset=2.0, resolution=0.1),
    "time": ChannelSpecification(gain=100e-6, offset=0.0, resolution=0.0),
}


@dataclass(frozen=True)
class SpecificationTable:
    """The keys of a specification in a bench file, as they are written."""

    gain: Any = 0.0
    offset: Any = 0.0
    resolution: Any = 0.0
    range: Any = None
    distribution: Any = None
    k: Any = None
    gain_per_K: Any = None
    offset_per_K: Any = None
    reference_degC: Any = None
    band_K: Any = None


def specification_table(written: object, where: str) -> SpecificationTable:
    """Return the keys of one channel's specification.

    Raises:
        InputError: no table, a key that is not known, a distribution that is none.
    """
    table = as_written(SpecificationTable, written, where)
    if table.distribution not in (None, "rectangular", "normal"):
        raise InputError(f"{where}.distribution: {shown(table.distribution)} is not accepted; rectangular or normal is")
    return table


def specification_of_channel(written: object, channel: str, where: str) -> ChannelSpecification:
    """Read one channel's specification: a maker's limits, or a calibration's expanded uncertainty with its k.

    A maker gives percent of reading (`gain`) plus an absolute part (`offset`), which may be a percentage of
    `range`. A calibration gives the same with `k`, and is then taken as normal.

    Raises:
        InputError: a key or value that is not accepted.
    """
    table = specification_table(written, where)
    kind = KIND_OF[channel]
    span = None if table.range is None else _number(table.range, f"{where}.range", kind)

    def absolute(value: object, key: str) -> float:
        if isinstance(value, str) and value.strip().endswith(("%", "ppm")):
            if span is None:
                raise InputError(
                    f"{where}.{key}: {shown(value)} is of the range; then range is needed too, such as 30 A or 20 V"
                )
            return _number(value, f"{where}.{key}") * span
        return _number(value, f"{where}.{key}", kind)

    def between(value: object, key: str, low: float, high: float) -> float | None:
        if value is None:
            return None
        number = finite_number(value)
        if number is None or not low <= number <= high:
            raise InputError(f"{where}.{key}: {shown(value)} is not accepted; a number from {low:g} to {high:g} is")
        return number

    k = finite_number(2.0 if table.k is None else table.k)
    if k is None or not 1.0 <= k <= 5.0:
        raise InputError(f"{where}.k: {shown(table.k)} is not accepted; a number from 1 to 5 is, 2 as a rule")
    usual = "rectangular" if table.k is None else "normal"
    return ChannelSpecification(
        gain=_number(table.gain, f"{where}.gain"),
        offset=absolute(table.offset, "offset"),
        resolution=absolute(table.resolution, "resolution"),
        distribution=cast(Literal["rectangular", "normal"], table.distribution or usual),
        k=k,
        assumed=False,
        gain_per_K=None if table.gain_per_K is None else _number(table.gain_per_K, f"{where}.gain_per_K"),
        offset_per_K=None if table.offset_per_K is None else absolute(table.offset_per_K, "offset_per_K"),
        reference_degC=between(table.reference_degC, "reference_degC", -40.0, 85.0),
        band_K=between(table.band_K, "band_K", 0.0, 50.0),
    )


def _number(value: Any, where: str, kind: str = "ratio") -> float:
    """Read '0.5 %', '10 mA', '50 ppm' or a plain number, which has to be finite and not negative."""
    number = finite_number(value)
    for accepted in (kind, "ratio"):
        share = isinstance(value, str) and value.strip().endswith(("%", "ppm"))
        if number is None and (accepted == kind or not share):
            with contextlib.suppress(NotAQuantity):
                number = read(value, accepted)
    if number is None or number < 0.0:
        raise InputError(
            f"{where}: {shown(value)} is not accepted; a number with a unit such as 0.5 %, 10 mA, 50 ppm is"
        )
    return number
