"""The temperature sensor at the cell, warmed between two fingers: does it measure, and is it the one at this cell?

Degree Celsius, kelvin, second.
"""

import statistics
from dataclasses import replace

from amphora.drivers.roles import Clock
from amphora.harness.bench.opened import Rig
from amphora.harness.control.events import SensorChecked
from amphora.harness.running.guided import Tell
from amphora.harness.running.people import Attendant

RISE_K = 3.0  # fingers are some 10 K above a room; a sensor that lies on the cell and is read shows a third of it
WARM_WITHIN_S = 120.0
COOL_WITHIN_S = 180.0


def prove_sensor(rig: Rig, sensor: str, clock: Clock, person: Attendant, tell: Tell) -> SensorChecked:
    """Have a person warm the sensor; it has to rise by 3 K within 2 min, then is left to cool.

    Raises:
        DriverError: it does not answer.
    """
    before = _mean_degC(rig, sensor, clock)
    if before is None:
        text = f"{sensor} gives no temperature: is it plugged in, is it the right one?"
        return SensorChecked(sensor, False, text=text)
    person.show(
        f"Take the sensor {sensor!r} between two fingers, where it lies on the cell{_in_bay(rig)}: it shows "
        f"{before:.1f} °C and has to rise by {RISE_K:g} K within {WARM_WITHIN_S / 60:g} min.",
        "warm-sensor",
    )
    begin_s = clock.now_s()
    highest = before
    others = _others(rig, sensor)
    while clock.now_s() - begin_s < WARM_WITHIN_S:
        clock.sleep(1.0)
        now = rig.instruments[sensor].read().get("temperature_degC")
        if now is not None and now > highest:
            highest = now
        if highest - before >= RISE_K:
            break
    seconds = clock.now_s() - begin_s
    rise_K = highest - before
    risen = {name: degC - others.get(name, degC) for name, degC in _others(rig, sensor).items()}
    other, other_K = max(risen.items(), key=lambda one: one[1], default=("", 0.0))
    found = SensorChecked(
        sensor, False, round(rise_K, 3), round(before, 3), round(highest, 3), round(seconds, 1)
    )  # fmt: skip
    person.show("Let go of the sensor.", "release-sensor")
    if rise_K < RISE_K:
        swapped = f"; {other} rose by {other_K:.1f} K instead: that is the one at this cell" * (other_K >= RISE_K)
        return replace(
            found,
            text=f"{sensor} rose by {rise_K:.1f} K in {seconds:.0f} s, {RISE_K:g} K are needed: it is not the one "
            f"at the cell, or not in contact, or it does not measure{swapped}",
        )
    if other_K >= 0.5 * RISE_K:
        return replace(
            found,
            text=f"{sensor} rose by {rise_K:.1f} K, and {other} by {other_K:.1f} K: which of them is at this cell "
            "is not shown; warm one alone",
        )
    tell(f"{sensor} rose by {rise_K:.1f} K in {seconds:.0f} s: it measures; waiting until it has cooled")
    begin_s = clock.now_s()
    while clock.now_s() - begin_s < COOL_WITHIN_S:
        clock.sleep(1.0)
        now = rig.instruments[sensor].read().get("temperature_degC")
        if now is not None and now - before < 1.0:
            break
    text = f"{sensor} rose by {rise_K:.1f} K between fingers in {seconds:.0f} s"
    return replace(found, proven=True, text=text)


def _in_bay(rig: Rig) -> str:
    """Return which bay's cell is meant, where a file has several."""
    _, several, bay = rig.description.where.rpartition("#")
    return f" in bay {bay!r}" if several else ""


def _others(rig: Rig, sensor: str) -> dict[str, float]:
    """Return what every other sensor shows that this bench can see, degC: by name on a logger's line."""
    own = str(getattr(rig.instruments[sensor], "sensor", ""))
    shown: dict[str, float] = {}
    for one in rig.instruments.values():
        if getattr(one, "sensor", ""):  # else its only temperature is its own
            shown |= getattr(one, "sensors", {})
    return {name: degC for name, degC in shown.items() if name != own}


def _mean_degC(rig: Rig, sensor: str, clock: Clock) -> float | None:
    values = []
    for _ in range(5):
        value = rig.instruments[sensor].read().get("temperature_degC")
        if value is not None:
            values.append(value)
        clock.sleep(0.5)
    return statistics.fmean(values) if values else None
