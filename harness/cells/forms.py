"""What each format of cell weighs, is taken to hold and holds at most. The numbers are data: profiles/forms.toml."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

NICKEL = ("nimh", "nicd")
TAKEN_AH = 1.0  # of a lithium cell in no format of the table (common practice)
TAKEN_NICKEL_AH = 0.3


@dataclass(frozen=True, slots=True)
class Form:
    """One format. Charges in ampere-hour, masses in gram."""

    name: str
    most_Ah: float
    most_nickel_Ah: float
    taken_Ah: float
    taken_nickel_Ah: float
    mass_g: Sequence[float] | None = None  # see the table
    large: bool = False

    def most(self, nickel: bool) -> float:
        """Return what the best of this size hold."""
        return self.most_nickel_Ah if nickel else self.most_Ah

    def taken(self, nickel: bool) -> float:
        """Return what a used one is taken to hold before anybody has measured."""
        return self.taken_nickel_Ah if nickel else self.taken_Ah


@cache
def forms() -> Mapping[str, Form]:
    """Return the formats by their names, as cells print them: 18650, AA."""
    table = tomllib.loads(files("amphora.profiles").joinpath("forms.toml").read_text(encoding="utf-8"))
    return {name: Form(name=name, **data) for name, data in table.items()}


def form_of(name: str) -> Form | None:
    """Return the format of that name, in whatever letters; None where it is not in the table."""
    return forms().get(name.strip().upper())
