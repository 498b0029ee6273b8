"""What once went wrong on a first evening, each as a person met it. None of it comes back.

One night of a healthy Li-ion cell serves most of them; times are those of the virtual clock.
"""

import io
import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from programs import Inside

from amphora.harness.cells.cell import Cell
from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.cli.at_the_bench import after_the_last_run
from amphora.harness.report.certificate.cautions import cautions
from amphora.harness.report.label import label_content

SOUND = ("--form", "18650", "--inspection", "sound")
SIMULATED = ("--bench", "simulated", "--start", "declared-full")


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Inside:
    inside = Inside(tmp_path_factory.mktemp("night"))
    inside.environment["AMPHORA_HOME"] = str(inside.folder / "home")
    assert inside.ends("cell", "add", "A", *SOUND, "--chemistry", "li-ion", "--as-found", "4.18 V")[0] == 0
    code, said = inside.ends("run", "--cell", "A", "--profile", "overnight", *SIMULATED)
    assert code == 0, said
    return inside


def test_the_program_without_a_word_prints_its_help_once(tmp_path: Path) -> None:
    assert Inside(tmp_path).ends()[1].count("Usage:") == 1


def test_a_cell_of_which_nothing_is_said_is_not_made(tmp_path: Path) -> None:
    code, said = Inside(tmp_path).ends("cell", "add")
    assert code == 2 and "nothing is said of the cell" in said and not (tmp_path / "logs").exists()
    assert Inside(tmp_path).ends("cell", "add", "--form", "18650")[0] == 0


def test_each_instrument_is_reported_after_a_silent_one_and_nothing_twice(tmp_path: Path) -> None:
    bench = tmp_path / "b.toml"
    bench.write_text(
        'name = "b"\nleads = "wired"\n'
        + "".join(
            f'[instruments.{role}]\nrole = "{role}"\nresource = "TCPIP::127.0.0.1::{port}::SOCKET"\ntimeout = "1 s"\n'
            for role, port in (("load", 1), ("supply", 2))
        )
        + '[cell]\nvoltage = "load"\ncurrent = ["load", "supply"]\n',
        encoding="utf-8",
    )
    code, said = Inside(tmp_path).ends("bench", "check", "--bench", str(bench))
    assert code == 4 and "load (load): in trouble" in said and "supply (supply): in trouble" in said
    for port in ("::1::", "::2::"):
        assert said.count(f"127.0.0.1{port}SOCKET: asking") == 1, said
    bench.write_text(bench.read_text(encoding="utf-8").replace('timeout = "1 s"', "timeout = 2"), encoding="utf-8")
    code, said = Inside(tmp_path).ends("bench", "check", "--bench", str(bench))
    assert code == 2 and "has no unit" in said


def test_a_certificate_that_stands_there_is_never_lost(night: Inside, monkeypatch: pytest.MonkeyPatch) -> None:
    out = night.folder / "A.pdf"
    words = ("certify", "A", "--out", str(out))
    assert night.ends(*words)[0] == 0
    first = out.read_bytes()
    code, said = night.ends(*words, "--place", "village hall")  # nobody can be asked: it is set aside, and that is said
    assert code == 0 and "A.1.pdf" in said and (night.folder / "A.1.pdf").read_bytes() == first
    second = out.read_bytes()
    from amphora.harness.cli import papers
    from amphora.harness.common.errors import InputError

    for answer, kept in (("n\n", True), ("\n", True), ("y\n", False)):
        typed = io.StringIO(answer)
        typed.isatty = lambda: True  # type: ignore[method-assign]
        shown = io.StringIO()
        shown.isatty = lambda: True  # type: ignore[method-assign]
        monkeypatch.setattr(sys, "stdin", typed)
        monkeypatch.setattr(sys, "stderr", shown)
        if kept:
            with pytest.raises(InputError, match="exists and was kept"):
                papers._make_room(out)
        else:
            papers._make_room(out)
        assert "Replace it?" in shown.getvalue() and out.read_bytes() == second


def test_a_certificate_is_valid_where_its_run_is_not_and_the_exit_code_says_that_nothing_was_recomputed(
    night: Inside, tmp_path: Path
) -> None:
    out = tmp_path / "B.pdf"
    assert night.ends("certify", "A", "--out", str(out))[0] == 0
    code, said = night.ends("verify", str(out), "--logs", str(tmp_path))
    assert code == 1 and ": valid" in said and "no number was recomputed; name the right folder" in said
    code, said = night.ends("verify", str(out), "--logs", str(tmp_path), "--json")
    found = json.loads(said[: said.rindex("}") + 1])
    assert code == 1 and found["valid"] is True and found["recomputed"] is None
    assert night.ends("verify", str(out), "--logs", str(night.logs))[0] == 0


def test_a_reason_against_a_certificate_is_printed_once(night: Inside, tmp_path: Path) -> None:
    out = tmp_path / "C.pdf"
    assert night.ends("certify", "A", "--out", str(out))[0] == 0
    data = bytearray(out.read_bytes())
    data[len(data) // 2] ^= 1
    out.write_bytes(data)
    code, said = night.ends("verify", str(out))
    assert code == 1 and "NOT VALID" in said
    reasons = [line for line in said.splitlines() if line.startswith("  no: ")]
    assert reasons and all(said.count(line.removeprefix("  no: ")) == 1 for line in reasons)


@pytest.mark.parametrize(
    ("profile", "kind", "chemistry", "found"),
    [("retention", "empty", "li-ion", "3.0 V"), ("identify", "lfp", "auto", "3.28 V"),
     ("identify", "nimh", "auto", "1.25 V")],
)  # fmt: skip
def test_the_pictures_of_a_run_without_a_discharge_need_no_discharge(
    profile: str, kind: str, chemistry: str, found: str, tmp_path: Path
) -> None:
    inside = Inside(tmp_path)
    kind = "unmarked" if kind == "empty" else kind
    inside.ends("cell", "add", "P", *SOUND, "--chemistry", chemistry, "--as-found", found, "--rechargeable")
    bench = ("--bench", "simulated", "--simulated-cell", kind)
    inside.ends("run", "--cell", "P", "--profile", profile, *bench, "--present")
    (run,) = (path for path in (inside.logs / "P").iterdir() if path.is_dir())
    assert (run / "samples.csv").stat().st_size > 300
    code, said = inside.ends("plot", "P", "--out", str(tmp_path / "p.png"))
    assert code == 0 and "Traceback" not in said and (tmp_path / "p-time.png").exists(), said


def test_a_run_refused_as_found_ends_as_stopped_by_the_guard(tmp_path: Path) -> None:
    inside = Inside(tmp_path)
    inside.ends("cell", "add", "Q", *SOUND, "--chemistry", "lfp", "--as-found", "3.2 V")
    code, said = inside.ends(
        "run", "--cell", "Q", "--profile", "charge", "--bench", "simulated", "--simulated-cell", "li-ion", "--present"
    )
    assert code == 3 and "guard:as-found" in said, said


def test_a_retired_cells_strip_says_do_not_use_and_why_and_no_capacity() -> None:
    strip = label_content(Cell("A", form="18650", chemistry="li-ion", state="retired"), None).strip
    assert strip[0] == "DO NOT USE" and strip[1].startswith("retired") and "not known" not in " ".join(strip)


@pytest.mark.parametrize("chemistry", ["li-ion", "li-ion-4.35", "lfp", "lto"])
def test_the_voltage_on_a_certificate_below_which_a_cell_is_refused_is_the_one_at_the_door(chemistry: str) -> None:
    window = load_chemistry(chemistry)
    text = " ".join(cautions(chemistry))
    assert f"found below {window.reject_below_V:.1f} V" in text
    assert f"between {window.charge_low_degC:g} and {window.charge_high_degC:g} °C" in text


def test_one_charge_voltage_of_lfp_on_label_and_window() -> None:
    record = Cell("A", form="18650", chemistry="lfp", state="tested")
    limit = f"{load_chemistry('lfp').charge_limit_V:.2f} V"
    assert limit == "3.65 V" and limit in repr(label_content(record, None, None))


def test_on_a_bench_that_lives_faster_the_next_run_comes_after_the_last(night: Inside) -> None:
    (run,) = (path for path in (night.logs / "A").iterdir() if path.is_dir())
    before = datetime.now(UTC)
    assert after_the_last_run(night.logs, "A") >= before, "a night of March lies behind this computer's clock"
    events = (run / "events.jsonl").read_text(encoding="utf-8").splitlines()
    last = json.loads(events[-1])
    ahead = (before + timedelta(hours=9)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    elsewhere = Inside(night.folder / "ahead")
    (elsewhere.logs / "A" / run.name).mkdir(parents=True)
    (elsewhere.logs / "A" / "cell.json").write_bytes((night.logs / "A" / "cell.json").read_bytes())
    for name in ("run.json", "samples.csv"):
        (elsewhere.logs / "A" / run.name / name).write_bytes((run / name).read_bytes())
    (elsewhere.logs / "A" / run.name / "events.jsonl").write_text(
        "\n".join([*events[:-1], json.dumps({**last, "utc": ahead})]) + "\n", encoding="utf-8"
    )
    assert after_the_last_run(elsewhere.logs, "A") == datetime.fromisoformat(ahead) + timedelta(seconds=1)
    assert after_the_last_run(elsewhere.logs, "nobody") >= before


@pytest.mark.parametrize(
    ("words", "said_of_it"),
    [
        (("run", "--cell", "A", "--profile", "overnight", *SIMULATED, "--simulated-cell", "nonsense"), "'nonsense'"),
        (("bench", "check", "--bench", "rol.toml"), "instruments.load: key 'rol' is not known ('role' is near)"),
        (("fit", "A", "--duty", "path-light", "--what-if", "panel.curent=120 mA"), "--what-if 'panel.curent=120 mA'"),
        (("fit", "A", "--duty", "path-light", "--what-if", "panel.current=lots"), "--what-if 'panel.current=lots'"),
        (("fit", "A", "--duty", "path-light", "--what-if", "nonsense"), "--what-if 'nonsense' is not accepted"),
    ],
)
def test_a_wrong_word_is_refused_where_it_stands_in_one_sentence(
    night: Inside, words: tuple[str, ...], said_of_it: str
) -> None:
    (night.folder / "rol.toml").write_text(
        'name = "b"\nleads = "wired"\n[instruments.load]\nrol = "load"\nresource = "TCPIP::127.0.0.1::1::SOCKET"\n'
        '[cell]\nvoltage = "load"\n',
        encoding="utf-8",
    )
    code, said = night.ends(*(str(night.folder / word) if word.endswith(".toml") else word for word in words))
    assert code == 2 and said_of_it in said and "Traceback" not in said and "profiles/" not in said, said
    assert said.count("amphora: ") == 1


def test_the_page_has_one_clock_of_24_hours_in_the_viewers_zone() -> None:
    from importlib import resources

    script = (resources.files("amphora.harness.report") / "templates" / "live.js").read_text(encoding="utf-8")
    clocks = [line for line in script.splitlines() if "DateTimeFormat(" in line]
    assert clocks and all('hourCycle: "h23"' in line for line in clocks if "hour:" in line)
    assert "timeZone:" not in script  # the viewer's own
