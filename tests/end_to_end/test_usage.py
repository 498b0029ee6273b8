"""A wrong command line: one sentence with the command, the option and the value; exit code 2; nothing written."""

import os
import signal
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest
from programs import PROGRAM, heed_signals


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        (("frobnicate",), ("frobnicate", "amphora --help")),
        (("match",), ("match: ", "missing", "--size", "amphora match --help")),
        (("match", "--size", "two"), ("match: ", "'--size two'", "integer")),
        (("match", "--size=two"), ("match: ", "'--size two'", "integer")),
        (("analyse",), ("analyse: ", "missing", "RUN")),
        (("analyse", "one", "two"), ("analyse: ", "two")),
        (("analyse", "--frob"), ("analyse: ", "--frob")),
        (("compare", "--al"), ("compare: ", "--al", "--all")),
        (("run", "--cell"), ("--cell", "argument")),
        (("bench", "simulate"), ("bench simulate: ", "--bench-out")),
        (("bench", "simulate", "--bench-out", "x", "--speed-up", "fast"), ("'--speed-up fast'", "number")),
        (("demo", "--out"), ("--out", "argument")),
    ],
)
def test_it_is_told_in_one_sentence(words: tuple[str, ...], parts: tuple[str, ...], inside: Any) -> None:
    done = inside.call(*words, code=2)
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert line.startswith("amphora: ") and "--help` shows what is accepted" in line
    assert all(part.lower() in line.lower() for part in parts), line
    assert not inside.logs.exists()


def test_so_it_is_in_a_process_of_its_own(amphora: Any) -> None:
    done = amphora.call("match", "--size", "two", code=2)
    assert done.stdout == "" and done.stderr.startswith("amphora: match: ") and done.stderr.count("\n") == 1
    done = amphora.call(code=2)
    assert "Usage" in done.stdout and "Measure a cell" in done.stdout and done.stderr == ""


@pytest.mark.parametrize(("words", "part"), [((), "Measure a cell"), (("cell",), "Commands"), (("bench",), "Commands")])
def test_without_a_command_the_help_is_shown_once(words: tuple[str, ...], part: str, inside: Any) -> None:
    done = inside.call(*words, code=2)
    assert done.stdout.count("Usage") == 1 and part in done.stdout and done.stderr == ""


def test_ctrl_c_in_a_command_that_only_reads_is_130(tmp_path: Path) -> None:
    # A pipe as the table: the import waits for it, so the signal always comes in time.
    table = tmp_path / "table.csv"
    os.mkfifo(table)
    words = ("import", str(table), "--cell", "L3-a", "--logs", str(tmp_path / "logs"))
    process = subprocess.Popen(
        [*PROGRAM, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, preexec_fn=heed_signals
    )
    writer = os.open(table, os.O_WRONLY)  # returns when the program has opened it
    time.sleep(0.2)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=180)
    os.close(writer)
    assert process.returncode == 130
    assert out == "" and "Traceback" not in err
    assert not (tmp_path / "logs").exists()


def night(inside: Any, tmp_path: Path) -> str:
    table = tmp_path / "night.csv"
    table.write_text("t,V,I\n" + "".join(f"{10 * n},{4.0 - 0.001 * n:.3f},-0.4\n" for n in range(1005)))
    return str(inside.json("import", str(table), "--cell", "L3-a", "--start", "full")["run"])


@pytest.mark.parametrize("place", [".", "/"])
def test_a_folder_where_a_file_should_be_written_is_refused(place: str, inside: Any, tmp_path: Path) -> None:
    run = night(inside, tmp_path)
    for words in (
        ("certify", run, "--out"),
        ("label", "L3-a", "--out"),
        ("report", run, "--out"),
        ("export", run, "--out"),
        ("plot", run, "--out"),
        ("shelf", "export", "--out"),
        ("compare", run, "--csv"),
        ("bench", "simulate", "--bench-out"),
        ("bench", "simulate", "--bench-out", str(tmp_path / "bench.toml"), "--truth-out"),
    ):
        done = inside.call(*words, place, code=2)
        assert done.stdout == "" and str(Path(place)) in done.stderr
    assert not (tmp_path / "bench.toml").exists()


def test_the_file_that_cannot_be_written_is_the_one_that_is_named(inside: Any, tmp_path: Path) -> None:
    words = ("bench", "simulate", "--bench-out", str(tmp_path / "bench.toml"), "--truth-out", "/nowhere/truth.json")
    (line,) = inside.call(*words, code=2).stderr.splitlines()
    assert line == "amphora: /nowhere/truth.json: cannot be written: No such file or directory"
    assert not (tmp_path / "bench.toml").exists()
