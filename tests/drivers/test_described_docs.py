"""docs/described.md: its tables load, its worked example passes at the device that its manual describes."""

import re
from pathlib import Path

from foreign.asking import Foreign

from amphora.drivers.clock import RealClock
from amphora.drivers.opening import open_instrument, relay_of_data
from amphora.harness.cli.rehearse import shown, verdict
from amphora.harness.running import rehearsal

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "described.md").read_text(encoding="utf-8")
TABLES = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
REPORT = re.findall(r"```\n(  ok .*?)```", PAGE, re.DOTALL)[0]


def test_the_worked_example_passes_and_its_report_is_the_one_shown(tmp_path: Path) -> None:
    file = tmp_path / "sluice-load.toml"
    file.write_text(TABLES[0], encoding="utf-8")
    cell = {"resistance_ohm": 10.0, "full_V": 5.0, "empty_V": 5.0, "capacity_Ah": 1000.0, "charge_Ah": 500.0}
    with Foreign(cell=cell, load={"style": "polled", "wire": "serial", "faults": {"lapses": 3.0}}) as foreign:
        table = foreign.table("load", str(file), timeout="500 ms")
        load = open_instrument("load", table, RealClock())
        try:
            lines = rehearsal.Rehearsal(load, table, 10.0, lambda line: None).run()
        finally:
            load.close()
    found = "\n".join([*map(shown, lines), verdict("sluice-load", lines)])
    assert _timeless(found) == _timeless(REPORT.rstrip("\n"))


def _timeless(text: str) -> str:
    return re.sub(r"in [0-9.e-]+ s", "in T s", text)


def test_the_relay_of_the_page_loads() -> None:
    import tomllib

    relay = relay_of_data("r", {"resource": "ASRL/dev/null::INSTR"}, tomllib.loads(TABLES[1]), "page")
    assert relay.habit == "plain" and relay.off_messages()
