"""What the account of a cell says beside a run's result: what speaks against the cell, and what may be done with it.

The account makes these (`account.gate`); they stand here because a `Result` carries them, as `amphora analyse --json`
and `cell show --json` print them. Charge in Ah; shares a day and a month in percent.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from amphora.harness.common.as_json import key

Strength = Literal["reported", "suspected", "established"]
About = Literal["cell", "bench", "record"]
Answer = Literal["yes", "ask", "no"]
Act = Literal["charge", "discharge", "grade", "match", "certify", "import", "label", "fit"]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that speaks against a cell, a bench or a record, and what settles it."""

    code: str
    strength: Strength
    about: About
    text: str
    runs: tuple[str, ...] = ()
    settles: str = ""


@dataclass(frozen=True, slots=True)
class May:
    """Whether something may be done with a cell, why (not), and the findings that decided."""

    verdict: Answer
    why: str = ""
    findings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LeakBound:
    """The least and the most that leaks, in percent of the capacity a day, and the evidence of each."""

    low: float = 0.0
    high: float = 2400.0
    low_from: str = ""
    high_from: str = ""


@dataclass(frozen=True, slots=True)
class AccountOfCell:
    """What the account of its cell says beside a run. Nothing said: no account was asked, nothing is known."""

    capacity_run: str | None = None
    it_Ah: float = 1.0
    it_from: str = "assumed"
    leak: LeakBound = field(default=LeakBound(), metadata=key("leak_percent_per_day"))
    self_discharge_percent_per_month: float | None = None
    self_discharge_U: float | None = None
    self_discharge_when: str | None = None
    findings: tuple[Finding, ...] = ()
    may: Mapping[str, May] = field(default_factory=dict)
    repeats: tuple[float, ...] = ()

    def ruling(self, act: Act) -> May:
        """Return what it says to an act; what it does not speak of, it does not forbid."""
        return self.may.get(act, May("yes"))

    def finding(self, code: str) -> Finding | None:
        """Return the finding of that code."""
        return next((item for item in self.findings if item.code == code), None)


NO_ACCOUNT = AccountOfCell()
