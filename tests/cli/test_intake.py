"""A bag at the door: many ids, labels before the test, a sheet that is read back line by line."""

import io
import os
import subprocess
import sys
from pathlib import Path

import pypdfium2
import pytest
import zxingcpp
from programs import run_inside

from amphora.drivers.serial.lines import NewestLine
from amphora.harness.account.intake import many, number_of, value_of
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import InputError


def inside(*words: str, logs: Path) -> tuple[int, str, str]:
    done = run_inside(*words, "--logs", str(logs))
    return done.returncode, done.stdout, done.stderr


SOUND = "sound,none,none,none,none,none"
HEAD = "id,mass_g,voltage_V,wrapper,dents,rust,swelling,leak,smell\n"


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    code, _, _ = inside(
        "cell", "add-many", "--prefix", "A", "--count", "4", "--form", "18650", "--source", "hall lights",
        "--labels", str(tmp_path / "labels.pdf"), "--sheet", str(tmp_path / "sheet.csv"), logs=tmp_path / "logs",
    )  # fmt: skip
    assert code == 0
    return tmp_path


def test_many_cells_get_ids_labels_and_a_sheet_before_anything_is_measured(bag: Path) -> None:
    assert [cell.id for cell in Shelf(bag / "logs").cells()] == ["A01", "A02", "A03", "A04"]
    assert all(cell.source == "hall lights" for cell in Shelf(bag / "logs").cells())
    page = pypdfium2.PdfDocument(bag / "labels.pdf")[0].render(scale=4).to_pil()
    found = sorted(code.text.split("\n")[1] for code in zxingcpp.read_barcodes(page))  # an outside decoder
    assert found == ["A01", "A02", "A03", "A04"]
    assert (bag / "sheet.csv").read_text().splitlines() == [HEAD.strip(), *(f"A0{n},,,,,,,," for n in range(1, 5))]


def test_a_filled_sheet_is_taken_line_by_line_and_each_refusal_is_one_line(bag: Path) -> None:
    sheet = bag / "sheet.csv"
    sheet.write_text(
        HEAD + f"A01,44.8,3.31,{SOUND}\nA02,44.8,33.1,{SOUND}\nA03,45.0,3.52,torn,none,none,yes,none,none\n"
        f"A04,4.48,3.3,shiny,none,none,none,none,none\nA09,44,3.3,{SOUND}\n"
    )
    code, out, err = inside("cell", "take-in", str(sheet), logs=bag / "logs")
    assert code == 1
    lines = err.strip().splitlines()
    assert [line.split(" (")[0].split(", ")[1] for line in lines] == ["line 3", "line 5", "line 5", "line 6"]
    assert "33.1 is not accepted" in lines[0] and "4.48 is not accepted" in lines[1] and "'shiny'" in lines[2]
    shelf = Shelf(bag / "logs")
    assert shelf.get("A01").as_found_V == 3.31 and shelf.get("A01").mass_g == 44.8
    assert shelf.get("A02").as_found_V is None and shelf.get("A04").mass_g is None  # no cell is half judged
    assert shelf.get("A03").state == "retired"  # swollen
    # put right and read again: what was taken before is left
    sheet.write_text(sheet.read_text().replace("33.1", "3.31").replace("4.48", "44.8").replace("shiny", "sound"))
    code, out, err = inside("cell", "take-in", str(sheet), logs=bag / "logs")
    assert "2 lines taken, 1 refused" in out
    assert len(shelf.get("A01").entries) == 1


def test_a_semicolon_and_a_decimal_comma_are_read(bag: Path) -> None:
    (bag / "s.csv").write_text("id;mass_g;voltage_V\nA01;44,8;3,312\n")
    assert inside("cell", "take-in", str(bag / "s.csv"), logs=bag / "logs")[0] == 0
    cell = Shelf(bag / "logs").get("A01")
    assert (cell.mass_g, cell.as_found_V, cell.entries[-1].resolution_V) == (44.8, 3.312, 0.001)


def test_the_page_to_print_has_a_box_for_each_word(bag: Path) -> None:
    code, _, _ = inside("cell", "sheet", "--out", str(bag / "sheet.html"), logs=bag / "logs")
    page = (bag / "sheet.html").read_text()
    assert code == 0 and page.count('<span class="box">') == 4 * 16 and page.count("<svg") == 4


def test_a_sheet_that_may_be_filled_in_is_never_written_over(bag: Path) -> None:
    with pytest.raises(InputError, match="is there already"):
        raise_of("cell", "sheet", "--out", str(bag / "sheet.csv"), logs=bag / "logs")


def raise_of(*words: str, logs: Path) -> None:
    code, _, err = inside(*words, logs=logs)
    assert code == 2
    raise InputError(err)


@pytest.mark.parametrize(
    ("line", "number"),
    [("ST,GS,+  44.82 g", "+44.82"), ("  3.312 V DC", "3.312"), ("-0,01 V", "-0,01"), ("OL", None), ("", None)],
)
def test_a_number_is_found_in_what_a_scale_or_meter_prints(line: str, number: str | None) -> None:
    assert number_of(line) == number


def test_a_slip_is_refused_and_an_odd_cell_is_not() -> None:
    cell = Cell("A01", form="18650")
    assert value_of("mass_g", "29", cell) == 29.0  # the gate retires it; the scale may be right
    assert value_of("voltage_V", "-0.4", cell) == -0.4
    for column, text in (("mass_g", "448"), ("voltage_V", "331"), ("voltage_V", "nan"), ("smell", "odd")):
        with pytest.raises(InputError):
            value_of(column, text, cell)


def test_ids_go_on_behind_those_there_are() -> None:
    assert many("A", 2, 0, ["A07", "B99", "A1x"]) == ["A08", "A09"]
    with pytest.raises(InputError, match="A07"):
        many("A", 2, 6, ["A07"])


def test_a_scale_on_a_port_fills_the_sheet_and_return_takes_what_it_shows(
    bag: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from amphora.harness.cli.intake_walk import walk

    near, far = os.openpty()
    lines = NewestLine(os.ttyname(far))
    rows = [{"id": f"A0{n}", "mass_g": ""} for n in range(1, 4)]
    prints = iter([b"ST, +  44.8 g\r\n", b"ST, + 448.0 g\r\n", b"ST, +  44.1 g\r\n"])
    typed = iter(["\n", "\n", "\n", "s\n"])

    class Keys(io.StringIO):
        def readline(self, *_: object) -> str:  # type: ignore[override]
            key = next(typed)
            if key == "\n":
                os.write(near, next(prints))
            return key

    monkeypatch.setattr(sys, "stdin", Keys())
    written: list[int] = []
    try:
        walk(rows, [("mass_g", lines)], False, Shelf(bag / "logs"), lambda: written.append(1))
    finally:
        lines.close()
        os.close(near)
        os.close(far)
    assert [row["mass_g"] for row in rows] == ["+44.8", "+44.1", ""] and len(written) == 2


class Person:
    """Somebody at a terminal (a pseudo-terminal, as a real one) with a scale and a hand meter on two serial ports.

    Reads what the program asks, puts the cell on the scale or the leads to it, and presses a key.
    """

    def __init__(self, sheet: Path, logs: Path, mass_g: list[float], volts: list[float]) -> None:
        self.scale, scale_port = os.openpty()
        self.meter, meter_port = os.openpty()
        self.keyboard, terminal = os.openpty()
        self.shows = {"mass_g": iter(mass_g), "voltage_V": iter(volts)}
        self.ends = (self.scale, scale_port, self.meter, meter_port, self.keyboard, terminal)
        self.keys = self.prompts = 0
        ports = ["--from-port", os.ttyname(scale_port), "--from-port", os.ttyname(meter_port)]
        self.program = subprocess.Popen(
            [sys.executable, "-m", "amphora.harness", "cell", "take-in", str(sheet), *ports, "--look", "--logs",
             str(logs)],
            stdin=terminal, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, bufsize=1,
        )  # fmt: skip

    def press(self, text: str = "") -> None:
        self.keys += len(text) + 1
        os.write(self.keyboard, f"{text}\n".encode())

    def answer(self, seen: dict[str, str], typed: dict[tuple[str, str], list[str]]) -> list[str]:
        """Answer all that is asked; return what the program said."""
        assert self.program.stderr is not None
        said = []
        at = ("", "")
        for line in self.program.stderr:
            said.append(line.strip())
            again = "is not accepted" in line
            if not line.startswith(">>> ") and not again:
                continue
            self.prompts += 1
            if line.startswith(">>> "):
                cell = line[4:].partition(":")[0]
                at = (cell.split(",")[0], cell.partition(", ")[2])
            if not at[1]:
                self.press(seen.get(at[0], ""))
            elif typed.get(at):
                self.press(typed[at].pop(0))
            else:
                port = self.scale if at[1] == "mass_g" else self.meter
                os.write(port, f"ST,GS, {next(self.shows[at[1]]):+.3f} \r\n".encode())
                self.press()
        return said

    def leave(self) -> None:
        self.program.kill()
        self.program.wait()
        for stream in (self.program.stdout, self.program.stderr):
            if stream is not None:
                stream.close()
        for end in self.ends:
            os.close(end)


def test_forty_cells_are_taken_in_with_three_keys_each_and_a_slip_is_asked_for_again(tmp_path: Path) -> None:
    # Three keys, two things put down and a look: a person's 20 s a cell are 13 min 20 s for forty (assumed, not seen).
    logs, sheet = tmp_path / "logs", tmp_path / "sheet.csv"
    made = inside(
        "cell", "add-many", "--prefix", "A", "--count", "40", "--form", "18650", "--sheet", str(sheet), logs=logs
    )
    assert made[0] == 0
    person = Person(sheet, logs, [44.0 + 0.05 * n for n in range(40)], [3.1 + 0.02 * n for n in range(40)])
    try:
        said = person.answer(
            {"A07": "wrapper torn, smell none", "A09": "swelling yes"},
            {("A05", "voltage_V"): ["33.1", "3.31"]},  # the point in the wrong place, then as it is
        )
        assert person.program.stdout is not None
        out = person.program.stdout.read()
        assert person.program.wait(60) == 0, said[-3:]
    finally:
        person.leave()
    assert "40 lines taken, 0 refused" in out
    assert any("33.1 is not accepted" in line for line in said)
    words = len("wrapper torn, smell none") + len("swelling yes") + len("33.1") + len("3.31")
    assert (person.prompts, person.keys) == (40 * 3 + 1, 40 * 3 + 1 + words)
    shelf = Shelf(logs)
    first, slip, torn, swollen = (shelf.get(name) for name in ("A01", "A05", "A07", "A09"))
    assert (first.mass_g, first.as_found_V, set(first.inspection.values())) == (44.0, 3.1, {"sound", "none"})
    assert slip.as_found_V == 3.31 and torn.inspection["wrapper"] == "torn" and swollen.state == "retired"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--from-port", "/dev/null", "--into", "smell"], "--into smell: is not accepted"),
        (["--from-port", "a", "--from-port", "b", "--from-port", "c"], "a column for each port"),
        (["--from-port", "a", "--from-port", "b", "--into", "mass_g"], "a column for each port"),
        (["--from-port", "/dev/not-there"], "--from-port: /dev/not-there: cannot be opened"),
    ],
)
def test_ports_and_columns_that_do_not_go_together_are_refused(bag: Path, words: list[str], said: str) -> None:
    code, _, err = inside("cell", "take-in", str(bag / "sheet.csv"), *words, logs=bag / "logs")
    assert code == 2 and said in err and len(err.strip().splitlines()) == 1
