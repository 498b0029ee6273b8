"""docs/described.md: its tables load, its worked example passes at the device that its manual describes."""

import re
from pathlib import Path
from typing import Any

from foreign.asking import Foreign

from amphora.drivers.clock import RealClock
from amphora.drivers.opening import open_instrument, relay_of_data
from amphora.harness.cli.rehearse import shown, verdict
from amphora.harness.running import rehearsal

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "described.md").read_text(encoding="utf-8")
TABLES = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
REPORTS = re.findall(r"```\n(  (?:ok|NOT) .*?)```", PAGE, re.DOTALL)
SOURCE = {"resistance_ohm": 10.0, "full_V": 5.0, "empty_V": 5.0, "capacity_Ah": 1000.0, "charge_Ah": 500.0}


def rehearsed(file: Path, faults: dict[str, Any]) -> list[rehearsal.RehearsalLine]:
    file.write_text(TABLES[0], encoding="utf-8")
    with Foreign(cell=SOURCE, load={"style": "polled", "wire": "serial", "faults": faults}) as foreign:
        table = foreign.table("load", str(file), timeout="500 ms")
        load = open_instrument("load", table, RealClock())
        try:
            return rehearsal.Rehearsal(load, table, 10.0, lambda line: None).run()
        finally:
            load.close()


def test_the_worked_example_passes_and_its_report_is_the_one_shown(tmp_path: Path) -> None:
    lines = rehearsed(tmp_path / "sluice-load.toml", {"lapses": 3.0})
    found = "\n".join([*map(shown, lines), verdict("sluice-load", lines)])
    assert _timeless(found) == _timeless(REPORTS[0].rstrip("\n"))


def test_the_report_of_a_device_that_lies_is_the_one_shown(tmp_path: Path) -> None:
    """It takes no more than 2 A and says nothing, says off with its output made, and stays on in silence."""
    lines = rehearsed(tmp_path / "sluice-load.toml", {"clips": 2.0, "welded": True})
    wrong = [line for line in lines if line.passed is False]
    found = "\n".join([*map(shown, wrong), verdict("sluice-load", lines)])
    assert _timeless(found) == _timeless(REPORTS[1].rstrip("\n"))


def _timeless(text: str) -> str:
    return re.sub(r"in [0-9.e-]+ s", "in T s", text)


def test_the_relay_of_the_page_loads() -> None:
    import tomllib

    relay = relay_of_data("r", {"resource": "ASRL/dev/null::INSTR"}, tomllib.loads(TABLES[1]), "page")
    assert relay.habit == "plain" and relay.off_messages()
