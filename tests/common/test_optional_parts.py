"""The plain installation: what it lacks is said in one sentence, and the rest works without it."""

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from programs import Inside

from amphora.harness.common.errors import InputError
from amphora.harness.common.optional_parts import PARTS, need

ROOT = Path(__file__).parents[2]


def test_each_part_is_an_extra_of_the_distribution_and_none_of_it_is_in_the_plain_one() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for name, part in PARTS.items():
        for module in part.modules:
            assert any(line.startswith(module) for line in project["optional-dependencies"][name]), (name, module)
            assert not any(line.startswith(module) for line in project["dependencies"]), module


def test_an_import_without_the_part_says_so_in_one_sentence_and_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "night.csv").write_text("t,v,i\n0,4.1,0\n", encoding="utf-8")
    monkeypatch.setitem(sys.modules, "pandas", None)
    code, said = Inside(tmp_path).ends("import", str(tmp_path / "night.csv"), "--cell", "c")
    assert code == 2 and "needs the optional part 'tables' (90 MB)" in said and "amphora-bench[tables]" in said
    assert not (tmp_path / "logs").exists()
    with pytest.raises(InputError, match=r"^A frame of readings needs .*\[tables\]"):
        need("tables", "A frame of readings")


WITHOUT = """
import sys
from importlib.abc import MetaPathFinder

class Lacking(MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in ("pandas", "openpyxl", "pyarrow"):
            raise ModuleNotFoundError(f"no module named {name}", name=name)

sys.meta_path.insert(0, Lacking())
from amphora.harness.cli.app import main
for line in sys.stdin.read().splitlines():
    sys.argv = ["amphora", *line.split()]
    try:
        main()
    except SystemExit as end:
        if end.code:
            sys.exit(f"{line}: {end.code}")
"""

LINES = """cell add A --form 18650 --chemistry li-ion --inspection sound
run --cell A --profile overnight --bench simulated --simulated-cell li-ion --start declared-full --current 0.4A
plot A --out night.png
certify A --out A.pdf --in-spite-of as-found-unknown"""


def test_a_night_and_its_certificate_need_no_optional_part(tmp_path: Path) -> None:
    own = {"AMPHORA_HOME": str(tmp_path / "home"), "XDG_CONFIG_HOME": str(tmp_path / "home"), "HOME": str(tmp_path)}
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT], input=LINES, cwd=tmp_path, capture_output=True, text=True, check=False,
        env={**os.environ, **own},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-1500:]
    assert (tmp_path / "A.pdf").read_bytes().startswith(b"%PDF") and (tmp_path / "night-time.png").exists()
