"""Promises of questions at the terminal: nonsense asks again, and an end of input ends in one sentence."""

import io
import sys

import pytest

from amphora.harness.cli import asking
from amphora.harness.cli.at_the_bench import typed_hand_meter
from amphora.harness.common.errors import InputError


def typed(patch: pytest.MonkeyPatch, *lines: str) -> None:
    stream = io.StringIO("".join(f"{line}\n" for line in lines))
    stream.isatty = lambda: True  # type: ignore[method-assign]
    patch.setattr(sys, "stdin", stream)


@pytest.mark.parametrize(
    ("lines", "volts"),
    [(["3.31 V"], 3.31), (["3.32"], 3.32), (["3,3 mm", "", ], None), (["three", "3310 mV"], 3.31), (["-3.3"], -3.3)],
)  # fmt: skip
def test_the_hand_meter_is_asked_for_until_it_makes_sense(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], lines: list[str], volts: float | None
) -> None:
    typed(monkeypatch, *lines)
    assert asking.ask_for("Hand meter: ", typed_hand_meter) == volts
    assert capsys.readouterr().err.count(">>> Hand meter: ") == len(lines)


def test_an_end_of_input_is_an_error_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    typed(monkeypatch)
    with pytest.raises(InputError, match="nothing was typed for: Hand meter"):
        asking.ask_for("Hand meter: ", typed_hand_meter)


def test_a_choice_is_asked_again_and_an_option_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    typed(monkeypatch, "glued", "wired")
    assert asking.choose("Leads?", None, ("by hand", "wired")) == "wired"
    typed(monkeypatch, "")
    assert asking.choose("Sense?", None, ("cell", "load"), default="load") == "load"
    with pytest.raises(InputError, match="'glued' is not accepted; by hand, wired are"):
        asking.choose("Leads?", "glued", ("by hand", "wired"))


def test_without_a_terminal_nobody_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("x\n"))
    assert asking.fill_in("Name", None, "bench") == "bench" and asking.choose("L?", None, ("a", "b")) == "a"
