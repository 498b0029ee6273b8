"""Dialects on instruments of foreign make: what is found by trying can be named; what is lacking is left out."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from foreign.asking import Foreign, dialect_file

from amphora.drivers.clock import RealClock
from amphora.drivers.errors import DescriptionError, DriverError, InstrumentError
from amphora.drivers.opening import open_instrument


@pytest.fixture(scope="module")
def foreign() -> Iterator[Foreign]:
    with Foreign(
        cell={"charge_Ah": 0.5, "resistance_ohm": 0.1},
        supply={"style": "generic", "lacks": ["state"]},
        timeless={"kind": "supply", "style": "generic", "lacks": ["timer", "power-on"]},
        load={"style": "generic", "lacks": ["protections", "sense"]},
        plain={"kind": "load", "style": "generic", "lacks": ["modes"]},
    ) as process:
        yield process


@pytest.fixture
def opened(foreign: Foreign) -> Iterator[Any]:
    instruments: list[Any] = []

    def open_one(name: str, dialect: str, **more: Any) -> Any:
        table = foreign.table(name, dialect, **{"timeout": "200 ms", **more})
        instruments.append(open_instrument(name, table, RealClock()))
        return instruments[-1]

    yield open_one
    for one in instruments:
        one.make_safe()
        one.close()


@pytest.mark.parametrize("dialect", ["auto", "supply-plain"])
def test_protections_that_know_no_state_are_armed_by_their_level(foreign: Foreign, opened: Any, dialect: str) -> None:
    supply = opened("supply", dialect)
    assert supply.abilities.over_voltage_protection and supply.abilities.off_timer
    armed = supply.arm_limits(4.25, 1.0, 3600.0)
    assert armed == {"over_voltage_V": 4.25, "over_current_A": 1.0, "off_after_s": 3600.0}
    held = foreign.truth()["supply"]["settings"]
    assert (held["over_voltage_V"], held["over_current_A"], held["off_after_s"]) == (4.25, 1.0, 3600.0)
    assert supply.arm_limits(4.2, 0.9, 1800.0)["over_voltage_V"] == 4.2, "and once more"
    assert supply.always_armed == {"over_voltage", "over_current", "off_timer"}
    supply.set_voltage(4.2)
    supply.set_current_limit(0.2)
    supply.set_output(True)
    assert supply.read()["current_A"] == pytest.approx(0.2)


def test_in_a_table_of_ones_own_a_state_that_is_not_known_is_a_mistake(foreign: Foreign, opened: Any) -> None:
    supply = opened("supply", str(dialect_file("supply", "generic")))
    with pytest.raises(InstrumentError, match="Undefined header"):
        supply.arm_limits(4.25, None, None)


@pytest.mark.parametrize(("name", "dialect"), [("load", "load-function-input"), ("timeless", "supply-plain")])
def test_what_auto_finds_can_be_named_and_works_the_same(opened: Any, name: str, dialect: str) -> None:
    found, named = opened(name, "auto"), opened(name, dialect)
    assert found.dialect.name == named.dialect.name == dialect
    assert found.missing == named.missing and found.missing
    assert found.abilities == named.abilities
    assert found.read_setup() == named.read_setup()
    written = opened(name, dialect, lacks=sorted(found.missing))
    assert (written.missing, written.abilities) == (found.missing, found.abilities)
    if name == "load":
        assert named.arm_limits(3.0, 1.0) == {} and not named.abilities.low_voltage_cutoff
        assert named.set_discharge("resistance", 10.0) == 10.0


def test_a_load_that_holds_nothing_but_a_current_needs_no_modes(foreign: Foreign, opened: Any, tmp_path: Path) -> None:
    text = dialect_file("load", "generic").read_text()
    start, end = text.index("[modes]"), text.index("[settings.current]")
    without = text[:start] + text[end:]
    own = tmp_path / "plain.toml"
    own.write_text(without)
    load = opened("plain", str(own))
    assert load.read_setup()["mode"] == "current"
    assert load.set_discharge("current", 0.3) == 0.3
    load.set_input(True)
    assert foreign.truth()["plain"]["current_A"] == pytest.approx(0.3)
    with pytest.raises(DriverError, match="cannot hold a constant power"):
        load.set_discharge("power", 1.0)
    own.write_text(text[:start] + '[modes]\nset = "FUNCtion {mode}"\n' + text[end:])
    (tmp_path / "half.toml").write_text(own.read_text())
    with pytest.raises(DescriptionError, match="or no modes at all"):
        opened("plain", str(tmp_path / "half.toml"))


@pytest.mark.parametrize(
    ("name", "dialect"),
    [
        ("load", "load-mode-state"),
        ("load", str(dialect_file("load", "otherwise"))),
        ("supply", "supply-channel-number"),
    ],
)
def test_a_named_dialect_that_is_not_understood_is_refused_while_opening(
    foreign: Foreign, opened: Any, name: str, dialect: str
) -> None:
    before = len(foreign.received(name))
    with pytest.raises(DriverError) as caught:
        opened(name, dialect)
    assert foreign.truth()[name]["on"] is False
    assert all("?" in text or "REMOTE" in text for _, text in foreign.received(name)[before:])
    assert name in str(caught.value)


def test_a_supply_that_answers_where_the_load_should_is_refused_while_opening(foreign: Foreign, opened: Any) -> None:
    swapped = {**foreign.table("load", "load-function-input"), "resource": foreign.instruments["supply"]["resource"]}
    with pytest.raises(DriverError):
        open_instrument("load", {**swapped, "timeout": "200 ms"}, RealClock())
