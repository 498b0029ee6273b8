"""The plain installation: what it lacks is said in one sentence, and the rest works without it."""

import os
import subprocess
import sys
import tomllib
from importlib.metadata import distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
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


REQUIRED = {  # by the plain installation, directly or by what it requires (Linux, 64-bit): a new one is a decision
    "annotated-doc", "cffi", "contourpy", "crc", "cryptography", "cycler", "fonttools", "jeepney",
    "jinja2", "kiwisolver", "markdown-it-py", "markupsafe", "matplotlib", "mdurl", "numpy", "packaging", "pillow",
    "psutil", "pycparser", "pygments", "pymodbus", "pyparsing", "pypdf", "pyserial",
    "python-dateutil", "pyusb", "pyvisa", "pyvisa-py", "rfc8785", "rich", "scipy", "segno", "shellingham", "tomlkit",
    "typer", "typing-extensions", "typst", "wakepy",
}  # fmt: skip
PERHAPS = {"colorama", "importlib-resources", "six", "tzdata", "click"}  # by the version or the system
MOST_MB = 550


def test_the_plain_installation_is_of_these_distributions_and_no_larger_than_promised() -> None:
    sizes: dict[str, int] = {}

    def walk(requirement: Requirement, extra: str = "") -> None:
        if requirement.marker is not None and not requirement.marker.evaluate({"extra": extra}):
            return
        name = canonicalize_name(requirement.name)
        if name in sizes and not requirement.extras:
            return
        found = distribution(name)
        places = [Path(str(file.locate())) for file in found.files or []]
        sizes[name] = sum(place.stat().st_size for place in places if place.exists())
        for line in found.requires or []:
            for one in ("", *requirement.extras):
                walk(Requirement(line), one)

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for line in project["dependencies"]:
        walk(Requirement(line))
    assert set(sizes) - PERHAPS == REQUIRED, sorted(set(sizes) ^ REQUIRED)
    assert all(size > 1000 for size in sizes.values()), "a distribution without a list of its files"
    ours = sum(
        path.stat().st_size for room in ("harness", "drivers", "profiles") for path in (ROOT / room).rglob("*.*")
    )
    assert 300 < (sum(sizes.values()) + ours) / 1e6 <= MOST_MB
