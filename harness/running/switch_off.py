"""The one way off: of the runner, the keeper, `bench off`, `resume` and the checks of the bench.

OFF goes out first, to everybody, before anybody is asked anything (`send_all`); then each instrument is asked, all
at the same time, whether it is off and whether a current flows, and OFF goes out again to whoever does not say so.
What is off, and how much current is none, is said here alone (`is_off`, `off_limit_A`).

When a run begins, what switches its instruments off is written as data (a `OffList`): handed to the keeper, kept in the
run's folder (`off.json`) and beside the bench file (`NAME.off.json`), so that nobody has to find anything out
afterwards. Who holds a channel by now keeps it: nothing is sent there.
"""

import contextlib
import json
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from amphora.drivers.errors import DriverError
from amphora.drivers.off import OffOrder, Outlet, StrangerError, order_from_table, order_of, restore
from amphora.drivers.roles import Clock, Instrument, SafeState
from amphora.harness.bench.bench_file import BenchDescription
from amphora.harness.bench.current_zero import REFUSE_MOST_A, most_zero_A
from amphora.harness.common.as_json import LEFT_OUT
from amphora.harness.common.errors import BenchError, InputError

FORMAT = "amphora-off/1"
FILE = "off.json"
SOON_S = 0.2
AGAIN_S = 0.25
SAFE_TRIES = 5
OFF_SETTLE_S = 0.5
SETTLE_READINGS = 6
JOIN_S = 5.0


# -- what off is -----------------------------------------------------------------------------------


def off_limit_A(description: BenchDescription, name: str) -> float:
    """Return up to which current of an instrument none flows, A: what its zero may show when a run begins.

    An instrument's zero is its meter's uncertainty at no current. A run is refused above it (`bench.current_zero`:
    five times the specified offset, at least 5 mA, at most 20 mA), so a bench that was let begin is not called
    "on" by its own zero, and a current that is not within that uncertainty is called one.
    """
    return most_zero_A(description.current_of(name).offset)


def is_off(state_off: bool, current_A: float | None, limit_A: float) -> bool:
    """Tell whether an instrument is off: read back as off, and no current within what its meter can tell."""
    return state_off and (current_A is None or abs(current_A) <= limit_A)


# -- instruments that are open ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OffResult:
    """What came of switching one instrument off. `off`: read back, and the current measured as zero.

    current_A: what it then measured, None where it measures none; tries: how often it was told; sent: whether bytes
    left, where that is known; held: another process has it, and it was left alone.
    """

    off: bool
    current_A: float | None
    text: str
    sent: bool | None = field(default=None, metadata=LEFT_OUT)
    tries: int = 0
    held: bool | None = field(default=None, metadata=LEFT_OUT)


class Switchable(Protocol):
    """What can be made safe and read: an open instrument, or one restored from data."""

    def make_safe(self) -> SafeState:
        """Send OFF first, then ask."""
        ...

    def read(self) -> Mapping[str, float]:
        """Measure."""
        ...


def send_all(instruments: Mapping[str, Instrument]) -> None:
    """Send OFF to everybody on the session that is open; nobody is asked, nobody is waited for."""
    for instrument in reversed(list(instruments.values())):
        send: Callable[[], bool] | None = getattr(instrument, "send_off", None)
        if send is not None:
            send()


def make_one_safe(
    instrument: Instrument, clock: Clock, limit_A: float = REFUSE_MOST_A, tries: int = SAFE_TRIES
) -> OffResult:
    """Switch one instrument off and see that it is: tried again where it does not say so. Never raises."""
    result = failed("was not tried")
    for attempt in range(tries):
        if attempt:
            clock.sleep(SOON_S * attempt)
        result = replace(_try_once(instrument, clock.sleep, limit_A, OFF_SETTLE_S), tries=attempt + 1)
        if result.off:
            break
    return result


def _try_once(one: Switchable, sleep: Callable[[float], None], limit_A: float, settle_s: float) -> OffResult:
    try:
        state = one.make_safe()
        current_A = state.current_A
        for _ in range(SETTLE_READINGS):
            if not state.off or is_off(True, current_A, limit_A):
                break
            sleep(settle_s)  # a reading may be older than the switching
            current_A = one.read().get("current_A")
        off = is_off(state.off, current_A, limit_A)
        text = state.text if off or not state.off else f"{state.text}; {current_A} A still flows"
        return OffResult(off, current_A, text)
    except (DriverError, OSError) as error:
        sent = "OFF was sent; " if getattr(one, "sent", 0) else ""
        return failed(f"{sent}{error}")


def make_all_safe(
    instruments: Mapping[str, Instrument], clock: Clock, limits_A: Mapping[str, float]
) -> dict[str, OffResult]:
    """Switch off all that can let current flow: OFF to everybody first, then each is asked. Never raises.

    Real instruments are asked at the same time, so that a silent one takes nobody else's; on a virtual clock one after
    the other, the last of the bench first.

    Returns:
        By name what `make_one_safe` says.
    """
    those = {name: one for name, one in reversed(list(instruments.items())) if one.role not in ("meter", "logger")}
    send_all(those)
    results: dict[str, OffResult] = {}
    groups: dict[int, list[str]] = {}
    for name, one in those.items():
        groups.setdefault(id(getattr(one, "link", one)), []).append(name)

    def serve(names: Sequence[str]) -> None:
        for name in names:
            try:
                results[name] = make_one_safe(those[name], clock, limits_A.get(name, REFUSE_MOST_A))
            except Exception as error:  # noqa: BLE001  making safe goes on whatever fails
                results[name] = failed(f"{type(error).__name__}: {error}")

    real = all(hasattr(one, "send_off") for one in those.values()) and not getattr(clock, "virtual", False)
    if len(groups) < 2 or not real:
        for names in groups.values():
            serve(names)
        return {name: results[name] for name in those}
    threads = [threading.Thread(target=serve, args=(names,), daemon=True) for names in groups.values()]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return {name: results.get(name, failed("no answer")) for name in those}


def failed(text: str) -> OffResult:
    """Return that an instrument is not known to be off, and why."""
    return OffResult(False, None, text)


# -- the sheet -----------------------------------------------------------------------------------------


class Entry(NamedTuple):
    """One instrument of a sheet: the order, up to which current none flows, and by which keys its channel is locked."""

    order: OffOrder
    limit_A: float
    keys: tuple[str, ...]


@dataclass(frozen=True)
class OffList:
    """What switches a bench off, as data. `speed_up`: how many times as fast its time goes (a simulated one)."""

    bench: str
    entries: tuple[Entry, ...] = ()
    speed_up: float = 1.0
    unknown: Mapping[str, str] = field(default_factory=dict)  # by name: why nothing could be prepared

    @property
    def names(self) -> list[str]:
        """Who is in it."""
        return [entry.order.name for entry in self.entries]

    def to_dict(self) -> dict[str, Any]:
        """Return it as JSON holds it."""
        entries = [{**one.order.to_dict(), "limit_A": one.limit_A, "keys": list(one.keys)} for one in self.entries]
        return {
            "format": FORMAT,
            "bench": self.bench,
            "speed_up": self.speed_up,
            "instruments": entries,
            "unknown": dict(self.unknown),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> "OffList":
        """Return it from JSON.

        Raises:
            InputError: it is damaged or of another format.
        """
        try:
            if data["format"] != FORMAT:
                raise InputError(f"format {data['format']!r} is not accepted; {FORMAT} is")
            entries = tuple(
                Entry(OffOrder.from_dict(one), float(one["limit_A"]), tuple(map(str, one["keys"])))
                for one in data["instruments"]
            )
            return cls(str(data["bench"]), entries, float(data["speed_up"]), dict(data["unknown"]))
        except (KeyError, TypeError, ValueError, DriverError) as error:
            raise InputError(f"is damaged: {type(error).__name__}: {error}") from error


def sheet_of(description: BenchDescription, instruments: Mapping[str, Instrument]) -> OffList:
    """Return what switches an opened bench off: addresses resolved, dialects as found."""
    from amphora.harness.common.locks import channel_keys, identity_key

    entries = []
    for name, instrument in instruments.items():
        table = description.instruments.get(name, {})
        order = order_of(instrument, table)
        if order is not None:
            keys = channel_keys(table)
            second = "" if description.simulated else identity_key(order.identity, order.channel)
            entries.append(Entry(order, off_limit_A(description, name), (*keys, *filter(None, (second,)))))
    return OffList(description.name, tuple(entries), description.speed_up)


def sheet_from_bench(
    description: BenchDescription, names: Sequence[str] | None = None, known: "OffList | None" = None
) -> OffList:
    """Return what switches a bench off by its file alone, or by what an earlier run found of the same tables.

    Args:
        description: The bench file.
        names: Whom; None: all that can let current flow.
        known: A sheet of before; its entries go first where the bench file still says the same of them.
    """
    from amphora.harness.common.locks import channel_keys

    entries, unknown = [], {}
    before = {} if known is None else {entry.order.name: entry for entry in known.entries}
    for name, table in description.instruments.items():
        if names is not None and name not in names:
            continue
        found = before.get(name)
        if found is not None and plain(found.order.table) == plain(table):
            entries.append(found)
            continue
        try:
            order = order_from_table(name, table)
        except DriverError as error:
            unknown[name] = str(error)
            continue
        if order is not None:
            entries.append(Entry(order, off_limit_A(description, name), channel_keys(table)))
    return OffList(description.name, tuple(entries), description.speed_up, unknown)


def plain(table: Mapping[str, Any]) -> dict[str, Any]:
    """Return a table as JSON gives it back."""
    made: dict[str, Any] = json.loads(json.dumps(table, default=str))
    return made


def beside(bench_file: str) -> Path:
    """Return where a bench file's sheet lies."""
    path = Path(bench_file)
    return path.with_name(f"{path.stem}.off.json")


def write_sheet(sheet: OffList, path: Path) -> None:
    """Write it whole, or not at all; durable.

    Raises:
        OSError: it cannot be written.
    """
    from amphora.harness.archive.journal import write_whole

    write_whole(path, json.dumps(sheet.to_dict(), ensure_ascii=False, indent=1, default=str) + "\n")


def read_sheet(path: Path) -> OffList | None:
    """Read one; None where there is none, or none that can be used: the bench file then has to do."""
    try:
        return OffList.from_dict(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, InputError):
        return None


# -- switching off by a sheet --------------------------------------------------------------------------


def switch_off(
    sheet: OffList,
    until_s: float,
    purpose: str,
    *,
    own_pid: int = 0,
    results: dict[str, OffResult] | None = None,
    make: Callable[[OffOrder, dict[str, Any]], Outlet] = restore,
) -> list[threading.Thread]:
    """Begin to switch off all of a sheet, every link in a thread of its own; return the threads.

    Each channel's lock is taken first; one that another process holds is left alone. A session is opened again and
    again, in short tries, and OFF is the first that goes out on it; then it is asked, until it is known to be off.

    Args:
        sheet: Whom, and how.
        until_s: Until when it is tried, of `time.monotonic`.
        purpose: What the locks are taken for.
        own_pid: A process whose lock does not count: the runner's, that is just ending.
        results: By name what came so far: as `make_one_safe`, and `sent` (whether bytes left).
        make: Makes an outlet of an order.
    """
    found = {} if results is None else results
    groups: dict[str, list[Entry]] = {}
    for entry in sheet.entries:
        groups.setdefault(entry.order.resource, []).append(entry)
    threads = []
    for group in groups.values():
        thread = threading.Thread(
            target=_serve_group, args=(group, until_s, purpose, own_pid, found, make), daemon=True
        )
        thread.start()
        threads.append(thread)
    return threads


def switch_off_now(sheet: OffList, for_s: float, purpose: str) -> dict[str, OffResult]:
    """Switch off all of a sheet and wait for what comes of it, `for_s` at most; by name as `make_one_safe`."""
    results = {name: failed(why) for name, why in sheet.unknown.items()}
    until_s = time.monotonic() + for_s
    for thread in switch_off(sheet, until_s, purpose, results=results):
        thread.join(max(0.0, until_s + JOIN_S - time.monotonic()))
    return {name: results.get(name, failed("no answer")) for name in (*sheet.names, *sheet.unknown)}


def _serve_group(
    entries: Sequence[Entry],
    until_s: float,
    purpose: str,
    own_pid: int,
    results: dict[str, OffResult],
    make: Callable[[OffOrder, dict[str, Any]], Outlet],
) -> None:
    """Serve the channels of one link: OFF to each, then each is asked, in turn, until all are off."""
    links: dict[str, Any] = {}
    left: dict[str, tuple[Entry, Outlet]] = {}
    locks: list[Any] = []
    try:
        for entry in entries:
            name = entry.order.name
            try:
                lock = _lock(entry, purpose, own_pid)
            except BenchError as error:
                results[name] = replace(failed(f"left alone: {error}"), held=True)
                continue
            if lock is not None:
                locks.append(lock)
            try:
                left[name] = (entry, make(entry.order, links))
            except DriverError as error:
                results[name] = failed(str(error))
        tries = 0
        while left:
            tries += 1
            for _, outlet in left.values():  # to everybody on this link, before anybody is asked
                with contextlib.suppress(Exception):
                    outlet.send_off()
            for name, (entry, outlet) in tuple(left.items()):
                results[name] = result = replace(_one_try(entry, outlet), tries=tries)
                if result.off:
                    del left[name]
                    with contextlib.suppress(Exception):
                        if not links or not left:
                            outlet.close()
            if not left or time.monotonic() >= until_s:
                break
            time.sleep(min(AGAIN_S * tries, 0.5))
    finally:
        for _, outlet in left.values():
            with contextlib.suppress(Exception):
                outlet.close()
        for lock in locks:
            with contextlib.suppress(OSError):
                lock.release()


def _one_try(entry: Entry, outlet: Outlet) -> OffResult:
    try:
        result = _try_once(outlet, time.sleep, entry.limit_A, SOON_S)
    except Exception as error:  # noqa: BLE001  making safe goes on whatever fails
        result = failed(f"{type(error).__name__}: {error}")
    return replace(result, sent=getattr(outlet, "sent", 0) > 0)


def _lock(entry: Entry, purpose: str, own_pid: int) -> Any:
    """Take a channel's locks; None where that is not possible, or whoever holds them is just ending: safety first.

    Raises:
        BenchError: another process has it.
    """
    from amphora.harness.common.locks import acquire_keys

    try:
        return acquire_keys(entry.order.name, entry.keys, purpose)
    except BenchError as error:
        if own_pid and f"process {own_pid} " in str(error):
            return None
        raise
    except (InputError, OSError):
        return None  # no folder to lock in: no reason to leave a load on


def in_words(results: Mapping[str, OffResult]) -> str:
    """Return what is not known to be off, with the reason; empty where all is."""
    return "; ".join(f"{name}: {one.text}" for name, one in results.items() if not one.off)


__all__ = [
    "Entry",
    "OffList",
    "StrangerError",
    "is_off",
    "make_all_safe",
    "make_one_safe",
    "off_limit_A",
    "read_sheet",
    "send_all",
    "sheet_from_bench",
    "sheet_of",
    "switch_off",
    "switch_off_now",
    "write_sheet",
]
