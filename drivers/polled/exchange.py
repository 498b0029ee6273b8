"""One exchange of a described instrument: what is sent, and what has to come back. Data only.

Texts go in and out: a number in SI, `1` and `0` for on and off, a mode by its name. What stands on the wire is
made by `coding`. Nothing here opens anything.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

ON, OFF = "1", "0"


class Spoiled(Exception):
    """What came is no answer to the question: a wrong checksum, another form, an echo, more than was asked for."""


class Declined(Exception):
    """The instrument answered, in good form, that it will not."""


@dataclass(frozen=True)
class Field:
    """One number of a frame or a register: `kind` such as u16, i32, f32; SI = sent × scale + offset."""

    name: str
    kind: str
    scale: float = 1.0
    offset: float = 0.0
    endian: str = "big"

    @property
    def size(self) -> int:
        """Bytes."""
        return int(self.kind[1:]) // 8


Fields = tuple[bytes | Field, ...]


@dataclass(frozen=True)
class LineForm:
    """A line: what is sent, with its places; patterns of the answer (None: nothing comes back) and of a refusal."""

    send: str
    answer: str | None = None
    refused: str | None = None


@dataclass(frozen=True)
class FrameForm:
    """What a frame carries: constant bytes and fields, in order. answer: None where nothing comes back."""

    send: Fields
    answer: Fields | None = None
    refused: Fields | None = None


@dataclass(frozen=True)
class RegisterForm:
    """Registers, or a coil. per_channel: what each further channel adds to the address; value: what they hold."""

    what: Literal["holding", "input", "coil", "discrete", "write", "write-many", "write-coil"]
    register: int
    field: Field
    low_word_first: bool = False
    per_channel: int = 0
    value: float | None = None


Form = LineForm | FrameForm | RegisterForm


@dataclass(frozen=True)
class Exchange:
    """What a word of the dialect is on the wire.

    word: as the driver calls it; places: what is filled in, in order (`value`, `mode`, `channel`); names: what an
    answer holds, in order; empty for one that is only confirmed; form: what `coding` needs; on, off: what
    stands for them; modes: what stands for each mode; answered: whether anything comes back at all.
    """

    word: str
    form: Form
    places: tuple[str, ...] = ()
    names: tuple[str, ...] = ()
    states: Mapping[str, str] = field(default_factory=dict)  # what stands on the wire -> ON or OFF
    modes: Mapping[str, str] = field(default_factory=dict)  # mode -> what stands on the wire
    scales: Mapping[str, float] = field(default_factory=dict)
    answered: bool = True
    is_query: bool = False

    def said(self, name: str, text: str) -> str:
        """Return what the driver is told of one value of an answer.

        Raises:
            Spoiled: a state or mode that is not described.
        """
        if name == "value" and self.states:
            if text not in self.states:
                raise Spoiled(f"{text!r} is neither on nor off; {', '.join(self.states)} are described")
            return self.states[text]
        if name == "value" and self.modes:
            for mode, wire in self.modes.items():
                if wire == text:
                    return mode.upper()
            return f"MODE {text}"  # one that nobody described: held, and not ours
        return text

    def wire_mode(self, word: str) -> str:
        """Return what stands on the wire for a mode."""
        return self.modes[word.lower()]
