"""Promises of the commands import, analyse, plot and export: one JSON document, exit codes, one sentence."""

import json

import pytest
from programs import run_inside


def amphora(*arguments):
    return run_inside(*map(str, arguments))


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    home = tmp_path_factory.mktemp("cli")
    lines = ["time;volts;milliamps"]
    lines += [f"{10 * k};{4.1 - 0.004 * max(0, k - 5):.4f};{500 if k > 5 else 0}".replace(".", ",") for k in range(300)]
    (home / "night.csv").write_text("\n".join(lines) + "\n")
    done = amphora(
        "import", home / "night.csv", "--cell", "P-3", "--map", "t=time,v=volts,i=milliamps*0.001",
        "--discharge-sign", "positive", "--cutoff", "3.0 V", "--start", "full", "--logs", home / "logs", "--json",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert "P-3" in done.stderr  # that the cell was put on the shelf is told, apart from the answer
    return answer["run"]


def test_analyse_answers_one_json_document(run):
    done = amphora("analyse", run, "--json")
    assert done.returncode == 0
    result = json.loads(done.stdout)
    assert result["capacity_Ah"] == pytest.approx(0.5 * 10 * 275 / 3600, rel=0.01)
    assert result["reached_cutoff"] is True
    less = json.loads(amphora("analyse", run, "--cutoff", "3.5", "--json").stdout)
    assert less["capacity_Ah"] < result["capacity_Ah"]


def test_analyse_says_it_in_plain_words_first_and_the_budget_when_asked(run):
    plain = amphora("analyse", run).stdout
    assert plain.index("holds") < plain.index("What to distrust") < plain.index("Numbers")
    assert "Budget of the capacity" not in plain
    assert "Budget of the capacity" in amphora("analyse", run, "--budget").stdout


def test_export_writes_the_file_and_the_description(run, tmp_path):
    done = amphora("export", run, "--out", tmp_path / "n.csv", "--json")
    assert done.returncode == 0, done.stderr
    files = json.loads(done.stdout)["files"]
    assert files[0].endswith("n.csv") and files[1].endswith("datapackage.json")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["analyse", "no-such-run"], "no-such-run"),
        (["import", "no-such.csv", "--cell", "X"], "no-such.csv"),
        (["analyse", "RUN", "--cutoff", "3,0 V"], "--cutoff"),
        (["analyse", "RUN", "--cutoff", "-1"], "--cutoff"),
        (["analyse", "RUN", "--cutoff", "nan"], "--cutoff"),
        (["analyse", "RUN", "--cutoff", "5 V"], "began at"),
        (["certify", "RUN", "--out", "x.pdf", "--cutoff", "3,0 V"], "--cutoff"),
        (["certify", "RUN", "--out", "x.pdf", "--cutoff", "3 A"], "--cutoff"),
        (["export", "RUN", "--out", "x.xlsx"], "x.xlsx"),
    ],
)
def test_bad_input_is_one_sentence_on_standard_error_and_code_2(run, arguments, says):
    done = amphora(*[run if item == "RUN" else item for item in arguments])
    assert done.returncode == 2
    assert done.stdout == ""
    assert says in done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
