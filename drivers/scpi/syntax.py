"""Text and value as SCPI instruments speak them; pure, no link.

Numbers are NRf as IEEE 488.2 section 8.7 has them (NR1, NR2, NR3). The codes that stand for
infinity and not-a-number (9.9E37, -9.9E37, 9.91E37; SCPI-1999 volume 1, 7.2.1) are never returned
as data: they raise. Whatever the text, nothing but a `DriverError` is raised.
Sending is left to `drivers.links.visa`, the meaning of a command to the dialect.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from amphora.drivers.described import shown
from amphora.drivers.errors import GarbledReply

INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37

_NRF = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,5})?")
_NR1 = re.compile(r"[+-]?[0-9]{1,18}")
_ERROR = re.compile(r"([+-]?[0-9]{1,9})\s*(?:,\s*(.*))?", re.DOTALL)
_NO_ERROR = frozenset({"no error", "no errors", "none", "ok", "no err"})
_BOOLEANS = {"1": True, "+1": True, "on": True, "true": True, "0": False, "+0": False, "off": False, "false": False}
_WORDS = {"inf": "overrange", "infinity": "overrange", "ninf": "overrange", "+inf": "overrange", "-inf": "overrange"}

# ESR bits, IEEE 488.2 section 11.5.1.
ESR_BITS: Mapping[int, str] = {
    1: "operation complete",
    2: "request control",
    4: "query error",
    8: "device error",
    16: "execution error",
    32: "command error",
    64: "user request",
    128: "power on",
}
ESR_ERRORS = 4 | 8 | 16 | 32


class OverRange(GarbledReply):
    """A well-formed reply that says 'no such value': overrange or not-a-number. The link is sound."""


@dataclass(frozen=True, slots=True)
class QueuedError:
    """One entry of an error queue; code 0 is none."""

    code: int
    text: str

    def __str__(self) -> str:
        return f"{self.code}, {self.text}" if self.text else str(self.code)


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of `*IDN?` (IEEE 488.2 section 10.14); "0" where a field is missing."""

    maker: str
    model: str
    serial: str
    firmware: str


def parse_number(text: str, what: str = "a number", unit: str = "") -> float:
    """Return the finite number in a reply.

    Args:
        text: The reply, NR1, NR2 or NR3, spaces around it allowed.
        what: What was asked, for the message.
        unit: A unit the instrument puts behind its numbers; it may be there, no other may.

    Raises:
        OverRange: the reply is a code for infinity or not-a-number.
        GarbledReply: the reply is no number.
    """
    try:  # the short way: float() accepts more than NRf, so its first characters are looked at
        number = float(text)
    except ValueError:
        number = math.nan
    if number - number != 0.0 or "_" in text or not text.isascii():
        number = _parse_odd_number(text, what, unit)
    if -INFINITY < number < INFINITY:
        return number
    raise OverRange(_over_text(number, text, what))


def _over_text(number: float, text: str, what: str) -> str:
    if math.isclose(number, NOT_A_NUMBER, rel_tol=1e-4):
        return f"{what}: the instrument answered not-a-number ({shown(text.strip())}); a finite number is accepted"
    return f"{what}: the instrument answered overrange ({shown(text.strip())}); a finite number is accepted"


def _parse_odd_number(text: str, what: str, unit: str) -> float:
    """Read what float() did not take for a finite number."""
    bare = text.strip()
    if unit and bare.lower().endswith(unit.lower()):
        bare = bare[: -len(unit)].rstrip()
    if _NRF.fullmatch(bare):
        number = float(bare)
        return number if math.isfinite(number) else math.copysign(INFINITY, number)
    word = bare.lower().lstrip("+-")
    if word == "nan":
        return NOT_A_NUMBER
    if word in _WORDS:
        return INFINITY
    raise GarbledReply(f"{what}: the answer {shown(text)} is not a number")


def parse_integer(text: str, what: str = "a whole number") -> int:
    """Return the NR1 in a reply; GarbledReply where it is none."""
    bare = text.strip()
    if not _NR1.fullmatch(bare):
        raise GarbledReply(f"{what}: the answer {shown(text)} is not a whole number")
    return int(bare)


def parse_boolean(text: str, what: str = "on or off") -> bool:
    """Return a state: 1, 0, ON, OFF, TRUE, FALSE in any case; else GarbledReply."""
    state = _BOOLEANS.get(text.strip().strip('"').lower())
    if state is None:
        raise GarbledReply(f"{what}: the answer {shown(text)} is neither on nor off; 1, 0, ON, OFF are accepted")
    return state


def parse_error(text: str, extra_none: Sequence[str] = ()) -> QueuedError:
    """Return an entry of the error queue: `-113,"Undefined header"`, `+0,"No error"`, `0`, `No error`.

    Args:
        extra_none: Further whole answers that mean an empty queue.

    Raises:
        GarbledReply: neither a code nor a known way to say 'no error'.
    """
    bare = text.strip()
    words = bare.strip('"').strip().lower()
    if words in _NO_ERROR or words in (one.lower() for one in extra_none):
        return QueuedError(0, "No error")
    match = _ERROR.fullmatch(bare)
    if match is None:
        raise GarbledReply(f"error queue: the answer {shown(text)} has no error number")
    said = (match.group(2) or "").strip()
    if len(said) >= 2 and said[0] == said[-1] and said[0] in "\"'":
        said = said[1:-1].replace(said[0] * 2, said[0])
    return QueuedError(int(match.group(1)), said.strip())


def esr_bit(code: int) -> int:
    """Return the standard event status bit that an error code sets (SCPI-1999 volume 2, 21.8).

    0 for no error; a positive, device-specific code counts as a device error (8).
    """
    if code == 0:
        return 0
    if code > 0:
        return 8
    hundred = -code // 100
    return {1: 32, 2: 16, 3: 8, 4: 4, 5: 128, 6: 64, 7: 2, 8: 1}.get(hundred, 8)


def esr_errors(register: int) -> list[str]:
    """Return the names of the error bits set in an event status register."""
    return [name for bit, name in ESR_BITS.items() if bit & register & ESR_ERRORS]


def short_form(word: str) -> str:
    """Return the short form of a mnemonic by the rule of SCPI-1999 volume 1, 6.2.1, in capitals.

    Up to four letters: the word itself; else its first four letters, but three if the fourth is a vowel.
    """
    upper = word.upper()
    if len(upper) <= 4:
        return upper
    return upper[:3] if upper[3] in "AEIOU" else upper[:4]


def is_spelling(notation: str, word: str) -> bool:
    """Tell whether `word` is a legal spelling of a mnemonic written as `VOLTage`.

    The capitals of the notation are its short form. Only the exact short or long form is legal, in any case.
    """
    short = "".join(letter for letter in notation if not letter.islower())
    return word.upper() in (short, notation.upper())


def join_commands(commands: Sequence[str]) -> str:
    """Join units of one message with `;`, each from the root (IEEE 488.2: `*` commands need no colon)."""
    return ";".join(
        one if place == 0 or one.startswith(("*", ":")) else ":" + one for place, one in enumerate(commands)
    )


def split_answer(text: str, count: int, separator: str = ";", what: str = "the answer") -> list[str]:
    """Return the fields of a compound answer; separators inside quotes do not count.

    Raises:
        GarbledReply: there are more or fewer than `count` fields.
    """
    fields = text.split(separator)
    if len(fields) != count and '"' in text:
        fields, inside, start = [], False, 0
        for place, letter in enumerate(text):
            if letter == '"':
                inside = not inside
            elif letter == separator and not inside:
                fields.append(text[start:place])
                start = place + 1
        fields.append(text[start:])
    if len(fields) != count:
        raise GarbledReply(f"{what}: {shown(text)} has {len(fields)} fields; {count} are accepted")
    return fields


def parse_identity(text: str) -> Identity:
    """Return the fields of an `*IDN?` answer; a missing one is "0" (IEEE 488.2 section 10.14).

    Raises:
        GarbledReply: empty, or not printable: no instrument's name.
    """
    bare = text.strip()
    names = [one for one in bare.replace(";", ",").split(",") if not _NRF.fullmatch(one.strip())]
    first_is_number = _NRF.fullmatch(bare.partition(",")[0].strip()) is not None  # a reading, or an error entry
    if first_is_number or not bare.isprintable() or not any(letter.isalpha() for letter in "".join(names)):
        raise GarbledReply(f"*IDN?: the answer {shown(text)} is no identity")
    fields = [field.strip() or "0" for field in bare.split(",", 3)]
    fields += ["0"] * (4 - len(fields))
    return Identity(*fields)


def parse_block(data: bytes) -> bytes:
    """Return the content of block data (IEEE 488.2 section 8.7.9, 7.7.6).

    `#12AB` holds 2 bytes; `#0...` with a newline at the end is of no stated length.

    Raises:
        GarbledReply: not a block, or shorter than it says.
    """
    if len(data) < 2 or data[:1] != b"#" or not data[1:2].isdigit():
        raise GarbledReply(f"block data: {shown(data)} does not begin with # and a digit")
    digits = data[1] - 48
    if digits == 0:
        if not data.endswith(b"\n"):
            raise GarbledReply("block data: a block of no stated length did not end in a newline")
        return data[2:-1]
    stated = data[2 : 2 + digits]
    if len(stated) != digits or not stated.isdigit():
        raise GarbledReply(f"block data: {shown(data)} does not state its length")
    length, rest = int(stated), data[2 + digits :]
    if len(rest) < length or rest[length:].strip(b"\r\n"):
        raise GarbledReply(f"block data: {length} bytes were announced, {len(rest)} came")
    return rest[:length]


def parse_non_decimal(text: str, what: str = "a number") -> int:
    """Return `#HFF`, `#Q77`, `#B11` (IEEE 488.2 section 7.7.4) or an NR1 as an integer."""
    bare = text.strip()
    bases = {"#H": (16, "0123456789abcdef"), "#Q": (8, "01234567"), "#B": (2, "01")}
    base, digits = bases.get(bare[:2].upper(), (10, ""))
    if base == 10:
        return parse_integer(text, what)
    if not bare[2:] or len(bare) > 66 or any(letter not in digits for letter in bare[2:].lower()):
        raise GarbledReply(f"{what}: {shown(text)} is not a number")
    return int(bare[2:], base)


def format_number(value: float, decimals: int) -> str:
    """Return a number as it is sent: NR2 with this many places, NR1 for none."""
    return f"{value:.{decimals}f}"
