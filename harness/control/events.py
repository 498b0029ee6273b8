"""What happened in a run: one frozen type for each kind of event in `events.jsonl`, and one pair to JSON and back.

Every event says when (`t_s` in seconds of the run, `utc`) and how many readings precede it (`after_row`); whoever
writes it into the journal stamps it (`stamped`). A field that a file does not have is None, or says nothing. What a
newer version says in addition stays in `more`, and a kind that is not known here is an `OtherEvent`: both are written
back as they came. V, A (positive into the cell), Ah, degC, s.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from functools import cache
from types import NoneType, UnionType
from typing import Any, ClassVar, TypeVar, get_args, get_origin, get_type_hints

from amphora.harness.common.as_json import LEFT_OUT
from amphora.harness.plans.plan import Order


def _not_said(otherwise: Any = None) -> Any:
    """Return a field that is not written where it is None."""
    return field(default=otherwise, metadata=LEFT_OUT)


@dataclass(frozen=True, slots=True)
class Event(Mapping[str, Any]):
    """What all events say. The keys of its JSON can be asked, too."""

    KIND: ClassVar[str] = ""

    t_s: float = field(default=0.0, kw_only=True)
    utc: str = field(default="", kw_only=True)
    after_row: int = field(default=0, kw_only=True)
    more: Mapping[str, Any] = field(default_factory=dict, kw_only=True)

    @property
    def kind(self) -> str:
        """The word in the file."""
        return self.KIND

    def __getitem__(self, name: str) -> Any:
        """Return what is written under that key."""
        return event_to_json(self)[name]

    def __iter__(self) -> Iterator[str]:
        """Give the keys that are written."""
        return iter(event_to_json(self))

    def __len__(self) -> int:
        """Return how many keys are written."""
        return len(event_to_json(self))


# -- how a run begins, goes on and ends -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RunBegun(Event):
    """The folder is there; nothing was asked of the bench yet. `boot`: the start of the computer, and its zero."""

    KIND: ClassVar[str] = "run-begun"
    profile: str | None = _not_said()
    cell: str | None = _not_said()
    notes: tuple[str, ...] | None = _not_said()
    boot: Mapping[str, Any] | None = _not_said()


@dataclass(frozen=True, slots=True)
class Checked(Event):
    """How the bench was found before the first order."""

    KIND: ClassVar[str] = "checked"
    as_found_V: float | None = None
    current_A: float | None = None
    temperature_degC: float | None = None
    hand_voltage_V: float | None = None
    setups: Mapping[str, Any] | None = None
    queued: Mapping[str, Any] | None = None
    armed: Mapping[str, Any] | None = None
    problems: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PlanBegun(Event):
    """The first step may begin."""

    KIND: ClassVar[str] = "begin"


@dataclass(frozen=True, slots=True)
class RunResumed(Event):
    """The run goes on after it was cut short, with the bounds of the charge that may have passed meanwhile."""

    KIND: ClassVar[str] = "resumed"
    off_for_s: float = 0.0
    charge_low_Ah: float = 0.0
    charge_high_Ah: float = 0.0
    on: Mapping[str, Any] | None = _not_said()
    boot: Mapping[str, Any] | None = _not_said()


@dataclass(frozen=True, slots=True)
class Stopped(Event):
    """The last event of a run. `final`: it cannot go on; `rows`, `checksums`: what the folder holds."""

    KIND: ClassVar[str] = "stopped"
    reason: str = ""
    text: str = ""
    rows: int | None = _not_said()
    final: bool | None = _not_said()
    safe: bool | None = _not_said()
    checksums: Mapping[str, Any] | None = _not_said()

    @property
    def ends_it(self) -> bool:
        """Whether the run has ended for good."""
        return self.final is not False


@dataclass(frozen=True, slots=True)
class RunnerGone(Event):
    """The runner is gone; the watchdog says so."""

    KIND: ClassVar[str] = "killed"
    reason: str = "killed"
    text: str = ""
    by: str = ""


# -- what the steps came to -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StepBegun(Event):
    """A step of the plan begins. `step` counts what is carried out, `plan_step` is its place in the plan; from 0."""

    KIND: ClassVar[str] = "step-begun"
    step: int | None = None
    plan_step: int | None = _not_said()
    step_kind: str = ""
    name: str = ""

    @property
    def place(self) -> int | None:
        """Its place in the plan."""
        return self.step if self.plan_step is None else self.plan_step


@dataclass(frozen=True, slots=True)
class StepEnded(Event):
    """A step has ended; `charge_Ah`: what went in, signed."""

    KIND: ClassVar[str] = "step-ended"
    step: int | None = None
    reason: str = ""
    text: str = ""
    charge_Ah: float | None = _not_said()


@dataclass(frozen=True, slots=True)
class PulseSkipped(Event):
    """A pulse was left out, because it would have come too near the cut-off."""

    KIND: ClassVar[str] = "pulse-skipped"
    step: int | None = None
    segment: int | None = None
    predicted_V: float | None = None
    cutoff_V: float | None = None


@dataclass(frozen=True, slots=True)
class Paused(Event):
    """A step that had begun waits with all off."""

    KIND: ClassVar[str] = "paused"
    step: int | None = _not_said()
    why: str = ""


@dataclass(frozen=True, slots=True)
class Continued(Event):
    """A step that waited goes on."""

    KIND: ClassVar[str] = "continued"
    step: int | None = _not_said()
    why: str = ""


@dataclass(frozen=True, slots=True)
class WaitsForHours(Event):
    """A step does not begin before the attended hours."""

    KIND: ClassVar[str] = "waiting"
    plan_step: int | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class CurrentRaised(Event):
    """A first charge that went well so far goes on with more current."""

    KIND: ClassVar[str] = "current-raised"
    step: int | None = None
    current_A: float | None = None


@dataclass(frozen=True, slots=True)
class Finished(Event):
    """The plan is over."""

    KIND: ClassVar[str] = "finished"
    reason: str = ""
    text: str = ""


# -- orders ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OrderGiven(Event):
    """An order goes out now; one that switches off has acted between `from_s` and `to_s`."""

    KIND: ClassVar[str] = "ordered"
    order: Order | None = None
    from_s: float | None = _not_said()
    to_s: float | None = _not_said()


@dataclass(frozen=True, slots=True)
class OrderActed(Event):
    """The order before acted between two moments, as sending it took a while."""

    KIND: ClassVar[str] = "sent"
    from_s: float = 0.0
    to_s: float = 0.0


@dataclass(frozen=True, slots=True)
class OrderRefused(Event):
    """The guard forbade an order; nothing was sent."""

    KIND: ClassVar[str] = "refused-order"
    check: str = ""
    text: str = ""
    value: float | None = None
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class MadeSafe(Event):
    """All was switched off; `off`: it was read back so. `instruments`: what came of each, by name."""

    KIND: ClassVar[str] = "made-safe"
    by: str = ""
    off: bool | None = None
    instruments: Mapping[str, Any] | None = _not_said()
    text: str | None = _not_said()


@dataclass(frozen=True, slots=True)
class TimerSet(Event):
    """The supply switches off by itself after so long."""

    KIND: ClassVar[str] = "timer-set"
    off_after_s: float | None = None
    renewable: bool | None = None


@dataclass(frozen=True, slots=True)
class TimerPaused(Event):
    """The supply's own timer has run out or is about to: outputs off."""

    KIND: ClassVar[str] = "timer-pause"
    text: str = ""


@dataclass(frozen=True, slots=True)
class TimerSetAnew(Event):
    """The timer was set anew: what was paused goes on."""

    KIND: ClassVar[str] = "timer-go-on"


@dataclass(frozen=True, slots=True)
class SupplyAnswered(Event):
    """The supply was asked whether a small current is a taper (`believed`)."""

    KIND: ClassVar[str] = "supply-asked"
    on: bool | None = None
    tripped: str = ""
    believed: bool = False
    text: str = ""


# -- what was seen --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class GuardStopped(Event):
    """The guard ended the run: which check, the value and its limit."""

    KIND: ClassVar[str] = "guard"
    check: str = ""
    text: str = ""
    value: float | None = None
    limit: float | None = None
    step: int | None = _not_said()


@dataclass(frozen=True, slots=True)
class PersonCalled(Event):
    """The guard calls a person for what no order can end."""

    KIND: ClassVar[str] = "called"
    check: str = ""
    text: str = ""
    value: float | None = None
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class PersonActed(Event):
    """A person did what was asked (`act`: done)."""

    KIND: ClassVar[str] = "person"
    act: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class AttendanceSeen(Event):
    """The attended hours began or ended."""

    KIND: ClassVar[str] = "attendance"
    present: bool = False


@dataclass(frozen=True, slots=True)
class Unobserved(Event):
    """Nobody looked for a while: what charge may have passed, and for how long current did and may have flowed."""

    KIND: ClassVar[str] = "gap"
    from_s: float | None = _not_said()
    to_s: float | None = _not_said()
    charge_low_Ah: float | None = None
    charge_high_Ah: float | None = None
    known: str = ""
    on_low_s: float | None = _not_said()
    on_high_s: float | None = _not_said()


@dataclass(frozen=True, slots=True)
class InstrumentTrouble(Event):
    """An instrument, or the way to it, is not as it should be."""

    KIND: ClassVar[str] = "instrument-error"
    text: str = ""


@dataclass(frozen=True, slots=True)
class LinksReopened(Event):
    """The instruments answer again."""

    KIND: ClassVar[str] = "answered"
    text: str = ""


@dataclass(frozen=True, slots=True)
class RenewalSeen(Event):
    """Readings are renewed so seldom, as they show."""

    KIND: ClassVar[str] = "renewal-seen"
    renewed_s: float = 0.0


@dataclass(frozen=True, slots=True)
class VoltageFell(Event):
    """The voltage fell in a charge, for the first time: it rests."""

    KIND: ClassVar[str] = "voltage-fell"
    text: str = ""
    value: float | None = _not_said()
    limit: float | None = _not_said()


@dataclass(frozen=True, slots=True)
class FoundTooWarm(Event):
    """Too warm for the charge that was ordered; it waits until it has cooled below that."""

    KIND: ClassVar[str] = "too-warm"
    below_degC: float = 0.0


# -- what is known of the bench that evening ------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CurrentZero(Event):
    """What an instrument shows with nothing flowing. `in_charge_A`: what of it is counted in a charge."""

    KIND: ClassVar[str] = "current-zero"
    instrument: str = ""
    current_A: float | None = None
    standard_uncertainty_A: float | None = None
    readings: int | None = _not_said()
    duration_s: float | None = _not_said()
    left_out: int | None = _not_said()
    in_charge_A: float | None = _not_said()
    verdict: str | None = _not_said()
    text: str | None = _not_said()


@dataclass(frozen=True, slots=True)
class ResistorChecked(Event):
    """A resistor of known value, as the bench measured it; `tolerance` is relative."""

    KIND: ClassVar[str] = "check-resistor"
    resistance_ohm: float | None = None
    tolerance: float | None = None
    through: str | None = _not_said()
    voltage_by: str | None = _not_said()
    instrument: str | None = _not_said()
    voltage_V: float | None = None
    current_A: float | None = None
    zero_A: float | None = _not_said()
    measured_ohm: float | None = None
    deviation: float | None = None
    passed: bool | None = _not_said()
    text: str | None = _not_said()
    taken_utc: str | None = _not_said()


@dataclass(frozen=True, slots=True)
class SensorChecked(Event):
    """The sensor at the cell was warmed by hand."""

    KIND: ClassVar[str] = "sensor-proven"
    sensor: str = ""
    proven: bool | None = None
    rise_K: float | None = None
    before_degC: float | None = _not_said()
    highest_degC: float | None = _not_said()
    seconds: float | None = _not_said()
    text: str | None = _not_said()
    taken_utc: str | None = _not_said()


@dataclass(frozen=True, slots=True)
class SensorNotChecked(Event):
    """The run relies on a sensor that nobody has warmed that evening."""

    KIND: ClassVar[str] = "sensor-unproven"
    sensor: str = ""
    text: str | None = _not_said()
    taken_utc: str | None = _not_said()


@dataclass(frozen=True, slots=True)
class LeakageChecked(Event):
    """What a cell lost over the bench with the mains unplugged."""

    KIND: ClassVar[str] = "leakage"
    before_V: float | None = None
    after_V: float | None = None
    hours: float | None = None
    fall_V_per_h: float | None = None
    limit_V_per_h: float | None = None
    measured_by: str | None = None
    passed: bool | None = None
    text: str | None = _not_said()
    taken_utc: str | None = _not_said()


@dataclass(frozen=True, slots=True)
class OtherEvent(Event):
    """An event of a kind that is not known here, kept as it came: a newer version wrote it."""

    word: str = ""

    @property
    def kind(self) -> str:
        """The word in the file."""
        return self.word


_KNOWN: tuple[type[Event], ...] = (
    RunBegun, Checked, PlanBegun, RunResumed, Stopped, RunnerGone, StepBegun, StepEnded, PulseSkipped, Paused,
    Continued, WaitsForHours, CurrentRaised, Finished, OrderGiven, OrderActed, OrderRefused, MadeSafe, TimerSet,
    TimerPaused, TimerSetAnew, SupplyAnswered, GuardStopped, PersonCalled, PersonActed, AttendanceSeen, Unobserved,
    InstrumentTrouble, LinksReopened, RenewalSeen, VoltageFell, FoundTooWarm, CurrentZero, ResistorChecked,
    SensorChecked, SensorNotChecked, LeakageChecked,
)  # fmt: skip
KINDS: dict[str, type[Event]] = {kind.KIND: kind for kind in _KNOWN}
STAMPS = ("t_s", "utc", "after_row")
E = TypeVar("E", bound=Event)


def stamped(event: E, t_s: float, utc: str, after_row: int) -> E:
    """Return the event with its time and place."""
    return replace(event, t_s=t_s, utc=utc, after_row=after_row)


def order_to_json(order: Order) -> dict[str, Any]:
    """Return an order as it is written: what says nothing is left out."""
    if order.kind == "off":
        return {"kind": "off"}
    return {key: value for key, value in asdict(order).items() if value not in (None, "", False)}


def event_to_json(event: Event) -> dict[str, Any]:
    """Return an event as a line of the journal holds it."""
    out: dict[str, Any] = {"kind": event.kind, "t_s": event.t_s, "utc": event.utc, "after_row": event.after_row}
    for name, left_out in _written(type(event)):
        value = getattr(event, name)
        if value is None and left_out:
            continue
        if isinstance(value, Order):
            value = order_to_json(value)
        out[name] = list(value) if isinstance(value, tuple) else value
    out.update(event.more)
    return out


def event_of(data: Mapping[str, Any]) -> Event:
    """Return a line of the journal as the event that it is.

    Raises:
        ValueError: a field is of another kind than it should be; names it.
    """
    word = data.get("kind")
    if not isinstance(word, str):
        raise ValueError("kind is no word")
    kind = KINDS.get(word, OtherEvent)
    readers = _readers(kind)
    values: dict[str, Any] = {}
    more: dict[str, Any] = {}
    for key, item in data.items():
        if key == "kind":
            continue
        if key not in readers:
            more[key] = item
            continue
        values[key] = readers[key](key, item)
    if kind is OtherEvent:
        values["word"] = word
    return kind(**values, more=more)


@cache
def _written(kind: type[Event]) -> tuple[tuple[str, bool], ...]:
    """Return the own fields of a kind in their order, and whether each is left out where it is None."""
    hidden = (*STAMPS, "more", "word")
    return tuple((item.name, bool(item.metadata)) for item in fields(kind) if item.name not in hidden)


Read = Callable[[str, Any], Any]
_SAID = {float: "a number", int: "a whole number", str: "a text", bool: "true or false", Mapping: "a table",
         tuple: "a list of texts", Order: "an order"}  # fmt: skip

_STAMP_SAID = {"t_s": "t_s is no time in seconds", "after_row": "after_row is no count of rows"}


@cache
def _readers(kind: type[Event]) -> dict[str, Read]:
    hints = get_type_hints(kind)
    return {name: _reader(hints[name]) for name in (*STAMPS, *(name for name, _ in _written(kind)))}


def _reader(hint: Any) -> Read:
    """Return what takes a value of that type from JSON, or says what it should be."""
    parts = get_args(hint) if isinstance(hint, UnionType) else (hint,)
    (one,) = (part for part in parts if part is not NoneType)
    wanted = get_origin(one) or one
    none_passes = NoneType in parts
    says = next(text for kind, text in _SAID.items() if kind is wanted or issubclass(wanted, kind))

    def read(key: str, value: Any) -> Any:
        if value is None and none_passes:
            return None
        if wanted is float:
            fits = isinstance(value, int | float) and not isinstance(value, bool)
        elif wanted is int:
            fits = isinstance(value, int) and not isinstance(value, bool)
        elif wanted is tuple:
            fits = isinstance(value, list) and all(isinstance(item, str) for item in value)
        elif wanted is Order:
            return _order_of(key, value)
        else:
            fits = isinstance(value, wanted)
        if not fits:
            raise ValueError(_STAMP_SAID.get(key) or f"{key} is not {says}")
        return tuple(value) if wanted is tuple else value

    return read


def _order_of(key: str, value: Any) -> Order | None:
    if not isinstance(value, dict):
        raise ValueError(f"{key} is not {_SAID[Order]}")
    if not value:
        return None
    try:
        return Order(**value)
    except TypeError:
        raise ValueError(f"{key} is not {_SAID[Order]} that is known here") from None
