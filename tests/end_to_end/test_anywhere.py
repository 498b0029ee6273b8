"""The program from another folder, into another encoding, on a shelf that may not be written."""

import contextlib
import io
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from programs import PROGRAM

# 0.4 A from 4.0 V down by 1 mV every 10 s; the cut-off of 3.0 V is crossed after 10,000 s.
NIGHT = "t,V,I\n" + "".join(f"{10 * n},{4.0 - 0.001 * n:.3f},-0.4\n" for n in range(1005))
CELL = "lÿkta-你-\U00020000"  # a letter beyond Latin-1 and one beyond 16 bits


@pytest.fixture
def table(tmp_path: Path) -> Path:
    folder = tmp_path / "with a space"
    folder.mkdir()
    (folder / "night é.csv").write_text(NIGHT, encoding="utf-8")
    return folder / "night é.csv"


def call(*words: str, cwd: Path, encoding: str = "utf-8") -> subprocess.CompletedProcess[bytes]:
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    environment.pop("AMPHORA_LOGS", None)
    return subprocess.run([*PROGRAM, *words], capture_output=True, cwd=cwd, env=environment, stdin=subprocess.DEVNULL)


def call_here(*words: str, cwd: Path, encoding: str) -> subprocess.CompletedProcess[bytes]:
    """The same without a process of its own: streams of that encoding in place of this one's."""
    from amphora.harness.cli.app import main

    out, err = (io.TextIOWrapper(io.BytesIO(), encoding=encoding, write_through=True) for _ in range(2))
    ended: object = 0
    with (
        contextlib.chdir(cwd),
        patch.dict(os.environ),
        patch.object(sys, "argv", ["amphora", *words]),
        patch.object(sys, "excepthook", sys.excepthook),
        patch.object(sys, "stdin", io.StringIO()),
        patch.object(sys, "stdout", out),
        patch.object(sys, "stderr", err),
    ):
        os.environ.pop("AMPHORA_LOGS", None)
        try:
            main()
        except SystemExit as end:
            ended = end.code
    told = [stream.buffer.getvalue() for stream in (out, err)]  # type: ignore[attr-defined]
    return subprocess.CompletedProcess([*words], int(ended or 0), *told)  # type: ignore[call-overload]


def test_the_run_that_is_named_can_be_found_from_anywhere(table: Path, tmp_path: Path) -> None:
    done = call("import", table.name, "--cell", CELL, "--start", "full", "--json", cwd=table.parent)
    run = Path(json.loads(done.stdout)["run"])
    assert run.is_absolute() and (run / "samples.csv").is_file()
    assert run.parent == table.parent / "logs" / CELL
    figures = json.loads(call("analyse", str(run), "--json", cwd=tmp_path).stdout)
    assert figures["cell"] == CELL
    assert figures["capacity_Ah"] == pytest.approx(0.4 * 10_000 / 3600, rel=1e-6)


def test_a_simulated_run_names_its_folder_whole(tmp_path: Path) -> None:
    call("cell", "add", "L3-a", "--form", "18650", cwd=tmp_path)
    words = ("run", "--cell", "L3-a", "--profile", "leads", "--bench", "simulated", "--json")
    run = Path(json.loads(call(*words, cwd=tmp_path).stdout)["run"])
    assert run.is_absolute() and run.is_dir()


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_whatever_the_streams_encoding_the_answer_is_whole(table: Path, encoding: str) -> None:
    done = call("import", table.name, "--cell", CELL, "--json", cwd=table.parent, encoding=encoding)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout.decode(encoding))
    assert answer["cell"] == CELL
    for words in (("cell", "list"), ("cell", "show", CELL), ("analyse", answer["run"])):
        shown = call_here(*words, cwd=table.parent, encoding=encoding)
        assert shown.returncode == 0 and b"Traceback" not in shown.stderr, shown.stderr
        assert not any(sign in shown.stdout for sign in (b"\\xb1", b"\\xb0", b"\\u03a9"))  # in letters instead
        listed = call_here(*words, "--json", cwd=table.parent, encoding=encoding)
        assert CELL in json.dumps(json.loads(listed.stdout.decode(encoding)), ensure_ascii=False)
    refused = call("cell", "show", "你", cwd=table.parent, encoding=encoding)
    assert refused.returncode == 2 and refused.stdout == b""
    assert refused.stderr.startswith(b"amphora: ") and refused.stderr.count(b"\n") == 1


def test_a_run_on_a_shelf_that_may_not_be_written_is_bad_input(amphora: Any) -> None:
    amphora.call("cell", "add", "L3-a", "--form", "18650")
    folder = amphora.logs / "L3-a"
    folder.chmod(0o555)
    prefix: list[str] = []
    if os.geteuid() == 0:  # who may do anything has to give that up first
        prefix = [str(shutil.which("setpriv")), "--bounding-set=-dac_override", "--inh-caps=-dac_override"]
    words = ("run", "--cell", "L3-a", "--profile", "overnight", "--bench", "simulated", "--json")
    done = subprocess.run([*prefix, *PROGRAM, *words], capture_output=True, text=True, env=amphora.environment)
    folder.chmod(0o755)
    assert done.returncode == 2 and done.stdout == ""
    assert done.stderr.splitlines() == [
        f"amphora: {folder}: may not be written, and a run is kept there; give another by --logs"
    ]
    assert [path.name for path in folder.iterdir()] == ["cell.json"]
