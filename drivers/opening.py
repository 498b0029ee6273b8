"""From an instrument's table of the bench file to an open, identified instrument.

Nothing at the terminals changes by opening. The dialect is the one named, or with `auto` the one
whose pattern matches `*IDN?`, or the first of the generic ones whose questions are understood.
"""

import math
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from amphora.drivers.described import check_keys, shown
from amphora.drivers.errors import DescriptionError, DriverError, GarbledReply, IdentityError
from amphora.drivers.links import light
from amphora.drivers.links.visa import Link
from amphora.drivers.polled.link import PolledLink
from amphora.drivers.polled.switch import DescribedRelay, relay_speech
from amphora.drivers.polled.wires import HID, PortSettings
from amphora.drivers.quantities import described
from amphora.drivers.roles import Abilities, Clock, Instrument
from amphora.drivers.scpi.asking import LEARNED, UNKNOWN_HEADER, abilities_as_written
from amphora.drivers.scpi.dialect import Dialect, candidates, dialect_of_table, load_dialect
from amphora.drivers.scpi.instrument import SPOILER, ScpiInstrument
from amphora.drivers.scpi.load import ScpiLoad
from amphora.drivers.scpi.meter import ScpiMeter
from amphora.drivers.scpi.supply import ScpiSupply
from amphora.drivers.serial.board import ABILITIES as BOARD_ABILITIES
from amphora.drivers.serial.board import is_board

KINDS: Mapping[str, type[ScpiInstrument]] = {"load": ScpiLoad, "supply": ScpiSupply, "meter": ScpiMeter}
KEYS = (
    "role", "resource", "dialect", "identity", "channel", "timeout", "pause", "baud", "data_bits", "parity",
    "stop_bits", "read_termination", "write_termination", "remote_sense", "max_current", "max_voltage", "max_power",
    "min_resistance", "max_resistance", "lowest_working_voltage", "cutoff_latches", "power_on_off",
    "measures_with_output_off", "refresh", "lacks", "address", "specification", "note", "simulated",
)  # fmt: skip
PARITIES = ("none", "odd", "even", "mark", "space")
DEFAULT_TIMEOUT_S = 1.0

_shared: dict[str, Link | PolledLink] = {}


def open_instrument(
    name: str, description: Mapping[str, Any], clock: Clock, *, lone_terminator: bool = False
) -> Instrument:
    """Open the instrument of one table of the bench file; identify it.

    Args:
        name: The instrument's name in the bench file.
        description: Its table.
        clock: The bench's clock (serial loggers and switches use it).
        lone_terminator: Send an empty line before anything else: it ends half a command that a
            program left behind when it was killed.

    Raises:
        DescriptionError: the table or its dialect is wrong: key, value, what is accepted.
        LinkError: it cannot be reached. IdentityError: another instrument answered.
        GarbledReply: what answered speaks no dialect that was tried.
    """
    role = description.get("role")
    if role == "switch" and "dialect" in description:
        return open_relay(name, description)
    if role in ("logger", "switch"):
        from amphora.drivers.serial import board, logger

        open_it: Callable[[str, Mapping[str, Any], Clock], Instrument] = (
            logger.open_logger if role == "logger" else board.open_switch
        )
        return open_it(name, description, clock)
    where = f"instruments.{name}"
    if not isinstance(role, str) or role not in KINDS:
        raise DescriptionError(f"{where}.role = {shown(role)} is not accepted; load, supply, meter, logger, switch are")
    check_keys(description, KEYS, where)
    named = _text(description, "dialect", where, "auto")
    dialect = None if named == "auto" else _named_dialect(named, str(role), where, description)
    channel = _whole(description, "channel", where, 1, 1, 64)
    ranges = _ranges(description, str(role), where)
    expected = _text(description, "identity", where)
    behaviour = _behaviour(description, where)
    lacks = _lacks(description, where)
    sense = description.get("remote_sense")
    if sense is not None and not isinstance(sense, bool):
        raise DescriptionError(f"{where}.remote_sense = {shown(sense)} is not accepted; true or false is")
    link = _link(name, description, dialect, where)

    def make(spoken: Dialect) -> ScpiInstrument:
        if "pause" not in description:
            link.set_pause(spoken.pause_s)
        return KINDS[str(role)](
            link,
            spoken,
            name=name,
            channel=channel,
            expected=expected,
            ranges=ranges,
            remote_sense=sense,
            behaviour=behaviour,
            lacks=lacks,
        )

    try:
        if lone_terminator and isinstance(link, Link):
            link.write(SPOILER)
        if dialect is None:
            identity = ScpiMeter(link, load_dialect("meter-measure"), name=name, expected=expected).identify()
            instrument = _by_asking(
                link, candidates(str(role), identity), channel, make, identity, where, lone_terminator
            )
        else:
            _check_channel(dialect, channel, where)
            instrument = make(dialect)
            instrument.identify()
            if not lone_terminator:  # else it has to be switched off, and no question comes before that
                _understands(instrument, where)
        instrument.start()
    except DriverError:
        link.release()
        raise
    return _as_instrument(instrument)


RELAY_KEYS = ("role", "resource", "dialect", "identity", "timeout", "pause", "baud", "data_bits", "parity", "stop_bits",
              "address", "note", "specification", "simulated")  # fmt: skip


def relay_of_table(name: str, description: Mapping[str, Any]) -> DescribedRelay:
    """Return a described relay, not opened.

    Raises:
        DescriptionError: its table or its dialect is wrong.
    """
    where = f"instruments.{name}"
    check_keys(description, RELAY_KEYS, where)
    path = _text(description, "dialect", where)
    try:
        data = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise DescriptionError(f"{where}.dialect: {path}: cannot be read: {error}") from error
    if "address" in description and isinstance(data.get("protocol"), dict):
        data["protocol"]["address"] = _whole(description, "address", where, 1, 1, 247)
    return relay_of_data(name, description, data, path)


def relay_of_data(name: str, description: Mapping[str, Any], data: Mapping[str, Any], path: str) -> DescribedRelay:
    """As `relay_of_table`, of a dialect that has been read."""
    where = f"instruments.{name}"
    speech = relay_speech(data, path)[0]
    resource = _text(description, "resource", where)
    _check_described(resource, where)
    link = PolledLink(
        resource,
        speech,
        name=name,
        timeout_s=_timeout_s(description, where),
        serial=PortSettings(**_serial(description, where)),
    )
    return DescribedRelay(name, link, data, path, _text(description, "identity", where))


def open_relay(name: str, description: Mapping[str, Any]) -> DescribedRelay:
    """Open a described relay; its contacts are then open. Errors as `open_instrument`."""
    relay = relay_of_table(name, description)
    relay.link.open()
    try:
        relay.start()
    except DriverError:
        relay.link.close()
        raise
    return relay


def _understands(instrument: ScpiInstrument, where: str) -> None:
    """See that an instrument understands the dialect that the bench file names, as one found by trying does.

    Raises:
        DescriptionError: it does not.
        LinkError: it fell silent.
    """
    instrument.start_remote()
    try:
        instrument.read_errors()  # what somebody left there
        instrument.read_setup_shortly()
        unknown = [text for text in instrument.read_errors() if UNKNOWN_HEADER.match(text)]
    except IdentityError:
        raise
    except GarbledReply as error:
        unknown = [str(error)]
    if unknown:
        raise DescriptionError(
            f"{where}.dialect: {instrument.identity!r} does not understand {instrument.dialect.name} ({unknown[0]}); "
            "another dialect is needed, or its resource belongs to another instrument"
        )
    if instrument.dialect.shipped:
        instrument.learn()


def find_dialect(name: str, description: Mapping[str, Any], link: Link | PolledLink) -> ScpiInstrument:
    """Return the instrument behind an open link in the dialect that it is found to speak; asks for it.

    Raises:
        DriverError: as `open_instrument`.
    """
    where, role = f"instruments.{name}", str(description.get("role"))
    expected = _text(description, "identity", where)
    channel = _whole(description, "channel", where, 1, 1, 64)
    behaviour = _behaviour(description, where)

    def make(spoken: Dialect) -> ScpiInstrument:
        return KINDS[role](link, spoken, name=name, channel=channel, expected=expected, ranges={}, behaviour=behaviour)

    identity = ScpiMeter(link, load_dialect("meter-measure"), name=name, expected=expected).identify()
    return _by_asking(link, candidates(role, identity), channel, make, identity, where, True)


def named_dialect(name: str, description: Mapping[str, Any]) -> Dialect | None:
    """Return the dialect that a table names; None where it is to be found by asking.

    Raises:
        DescriptionError: there is none of that name, or it is for another role or fewer channels.
    """
    where = f"instruments.{name}"
    named = _text(description, "dialect", where, "auto")
    if named == "auto":
        return None
    dialect = _named_dialect(named, str(description.get("role")), where, description)
    _check_channel(dialect, _whole(description, "channel", where, 1, 1, 64), where)
    return dialect


def _as_instrument(instrument: ScpiInstrument) -> Instrument:
    return instrument


def _by_asking(
    link: Link | PolledLink,
    fitting: Sequence[Dialect],
    channel: int,
    make: Callable[[Dialect], ScpiInstrument],
    identity: str,
    where: str,
    at_once: bool,
) -> ScpiInstrument:
    """Return the instrument in the dialect its identity names, else in the first whose questions it understands."""
    known = bool(fitting) and fitting[0].matches(identity)
    tried = []
    for dialect in fitting:
        if channel > dialect.channels:
            continue
        instrument = make(dialect)
        instrument.identity = identity
        if known or len(fitting) == 1:
            if not at_once:
                _understands(instrument, where)
            return instrument
        tried.append(dialect.name)
        try:
            if link.broken:
                instrument.reopen()
            else:
                instrument.start_remote()
            instrument.read_errors()
            instrument.read_setup_shortly()
            instrument.read()
            if not instrument.read_errors():
                instrument.learn()
                return instrument
        except IdentityError:
            raise
        except DriverError:
            continue
    named = ", ".join(tried) or "the dialects with that many channels"
    raise DescriptionError(
        f"{where}.dialect: {identity!r} understood none of {named}; "
        "name a dialect or the path of your own (docs/dialects.md)"
    )


def written_abilities(name: str, description: Mapping[str, Any]) -> Abilities | None:
    """Return what an instrument can by its table and the dialect named there, without opening it.

    None where only the instrument can tell: the dialect is `auto`, or the role has none.

    Raises:
        DescriptionError: the table or its dialect is wrong.
    """
    where, role = f"instruments.{name}", str(description.get("role"))
    if is_board(description):
        return BOARD_ABILITIES
    named = _text(description, "dialect", where, "auto")
    if role not in KINDS or named == "auto":
        return None
    dialect, lacks = _named_dialect(named, role, where, description), frozenset(_lacks(description, where))
    return abilities_as_written(dialect, _behaviour(description, where), lacks)


def _named_dialect(named: str, role: str, where: str, description: Mapping[str, Any]) -> Dialect:
    try:
        dialect = load_dialect(named)
    except DescriptionError as error:
        raise DescriptionError(f"{where}.dialect: {error}") from error
    if dialect.role != role:
        raise DescriptionError(f"{where}.dialect = {named!r} is for a {dialect.role}; the role is {role}")
    if "address" in description:
        if dialect.speech is None or dialect.speech.kind != "modbus":
            raise DescriptionError(f"{where}.address: is of a Modbus station, and dialect {dialect.name} is none")
        station = _whole(description, "address", where, 1, 1, 247)
        protocol = {**dialect.data["protocol"], "address": station}
        return dialect_of_table({**dialect.data, "protocol": protocol}, dialect.where)
    return dialect


def _check_channel(dialect: Dialect, channel: int, where: str) -> None:
    if channel > dialect.channels:
        raise DescriptionError(
            f"{where}.channel = {channel} is not accepted; dialect {dialect.name} has {dialect.channels}"
        )


def _link(name: str, description: Mapping[str, Any], dialect: Dialect | None, where: str) -> Link | PolledLink:
    """Open the link, or share the one that another channel of the same instrument has open."""
    resource = _text(description, "resource", where)
    if not resource:
        raise DescriptionError(
            f"{where}.resource is missing; a VISA string such as TCPIP::192.168.0.5::5025::SOCKET is needed"
        )
    _check_resource(resource, dialect, where)
    shared = _shared.get(resource) if "channel" in description else None
    if shared is not None and shared.users > 0 and not shared.broken:
        shared.users += 1
        return shared
    link = link_of_table(name, description, dialect)
    link.open()
    if "channel" in description:
        _shared[resource] = link
    return link


def link_of_table(name: str, description: Mapping[str, Any], dialect: Dialect | None) -> Link | PolledLink:
    """Return the link that a table asks for, not opened.

    Raises:
        DescriptionError: a key's value is not accepted.
    """
    where = f"instruments.{name}"
    resource = _text(description, "resource", where)
    _check_resource(resource, dialect, where)
    pause_s = dialect.pause_s if dialect else 0.0
    if "pause" in description:
        pause_s = described(description["pause"], "duration", f"{where}.pause")
    timeout_s, serial = _timeout_s(description, where), _serial(description, where)
    if dialect is not None and dialect.speech is not None:
        for key in ("read_termination", "write_termination"):
            if key in description:
                raise DescriptionError(
                    f"{where}.{key}: stands in the dialect, as protocol.ends, for one that is described"
                )
        return PolledLink(resource, dialect.speech, name=name, timeout_s=timeout_s, pause_s=pause_s,
                          serial=PortSettings(**serial))  # fmt: skip
    return Link(
        resource,
        name=name,
        timeout_s=timeout_s,
        read_termination=_termination(description, "read_termination", where, dialect),
        write_termination=_termination(description, "write_termination", where, dialect),
        pause_s=pause_s,
        **serial,
    )


def _timeout_s(description: Mapping[str, Any], where: str) -> float:
    timeout_s = DEFAULT_TIMEOUT_S
    if "timeout" in description:
        timeout_s = described(description["timeout"], "duration", f"{where}.timeout")
    if not 0.01 <= timeout_s <= 60.0:
        raise DescriptionError(f"{where}.timeout = {shown(description['timeout'])} is not accepted; 10 ms to 60 s is")
    return timeout_s


def _serial(description: Mapping[str, Any], where: str) -> dict[str, Any]:
    parity = description.get("parity")
    if parity is not None and parity not in PARITIES:
        raise DescriptionError(f"{where}.parity = {shown(parity)} is not accepted; {', '.join(PARITIES)} are")
    stop_bits = description.get("stop_bits")
    if stop_bits is not None and stop_bits not in (1, 1.5, 2):
        raise DescriptionError(f"{where}.stop_bits = {shown(stop_bits)} is not accepted; 1, 1.5, 2 are")
    return {
        "baud": _whole(description, "baud", where, 0, 50, 4_000_000) or None,
        "data_bits": _whole(description, "data_bits", where, 0, 5, 8) or None,
        "parity": parity,
        "stop_bits": stop_bits,
    }


def _check_resource(resource: str, dialect: Dialect | None, where: str) -> None:
    if dialect is None or dialect.speech is None:
        _check_visa_string(resource, where)
    else:
        _check_described(resource, where)


def _check_described(resource: str, where: str) -> None:
    if not re.fullmatch(rf"(TCPIP\d*::(\[[^\]]*\]|[^:]+)::\d+::SOCKET|ASRL.+|{HID})", resource, re.IGNORECASE):
        raise DescriptionError(
            f"{where}.resource = {shown(resource)} is not accepted; ASRL/dev/ttyUSB0::INSTR, ASRL3::INSTR (COM3 on "
            "Windows), TCPIP::192.168.0.5::4001::SOCKET or HID::0x1234::0x5678 is"
        )


def _check_visa_string(resource: str, where: str) -> None:
    light.pyvisa()
    from pyvisa import rname

    try:
        rname.ResourceName.from_string(resource)
    except rname.InvalidResourceName as error:
        raise DescriptionError(
            f"{where}.resource = {shown(resource)} is no VISA string; such as TCPIP::192.168.0.5::5025::SOCKET, "
            "TCPIP::192.168.0.5::INSTR, USB0::0x1234::0x5678::SERIAL::INSTR, ASRL/dev/ttyUSB0::INSTR or "
            "ASRL3::INSTR (COM3 on Windows) is"
        ) from error


def _termination(description: Mapping[str, Any], key: str, where: str, dialect: Dialect | None) -> str:
    default = "\n" if dialect is None else str(getattr(dialect, key))
    value = _text(description, key, where, default)
    if value not in ("\n", "\r\n", "\r"):
        raise DescriptionError(f"{where}.{key} = {shown(value)} is not accepted; " r'"\n", "\r\n" or "\r" is')
    return value


def _text(description: Mapping[str, Any], key: str, where: str, default: str = "") -> str:
    value = description.get(key, default)
    if not isinstance(value, str):
        raise DescriptionError(f"{where}.{key} = {shown(value)} is not accepted; a text in quotes is")
    return value


def _whole(description: Mapping[str, Any], key: str, where: str, default: int, low: int, high: int) -> int:
    if key not in description:
        return default
    value = description[key]
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise DescriptionError(
            f"{where}.{key} = {shown(value)} is not accepted; a whole number from {low} to {high} is"
        )
    return value


def _behaviour(description: Mapping[str, Any], where: str) -> dict[str, Any]:
    """Return what the bench file says of this one instrument; it goes before the dialect's word."""
    found: dict[str, Any] = {}
    for key in ("cutoff_latches", "power_on_off", "measures_with_output_off"):
        if key in description:
            if not isinstance(description[key], bool):
                raise DescriptionError(f"{where}.{key} = {shown(description[key])} is not accepted; true or false is")
            found[key] = description[key]
    if "refresh" in description:
        found["refresh_s"] = described(description["refresh"], "duration", f"{where}.refresh")
    return found


def _lacks(description: Mapping[str, Any], where: str) -> list[str]:
    """Return what the bench file says this one instrument has not."""
    value = description.get("lacks", [])
    if not isinstance(value, list) or not all(one in LEARNED for one in value):
        raise DescriptionError(f"{where}.lacks = {shown(value)} is not accepted; a list of {', '.join(LEARNED)} is")
    return value


def _ranges(description: Mapping[str, Any], role: str, where: str) -> dict[str, tuple[float, float]]:
    """Return what the bench file says the instrument can do, by setting."""
    found = {}
    for key in ("current", "voltage", "power", "resistance"):
        low, high = 0.0, math.inf
        if f"max_{key}" in description:
            high = described(description[f"max_{key}"], key, f"{where}.max_{key}")
        if f"min_{key}" in description:
            low = described(description[f"min_{key}"], key, f"{where}.min_{key}")
        if (low, high) != (0.0, math.inf):
            if low > high:
                raise DescriptionError(f"{where}.min_{key} is above max_{key}; nothing could be set")
            found[key] = (low, high)
    return found
