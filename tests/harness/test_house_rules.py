"""House rules that a test can hold."""

import inspect
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import typer

import amphora.drivers.errors
import amphora.harness.common.errors
from amphora.harness.cli.app import app

ROOT = Path(__file__).parents[2]
STRAY = re.compile(r"^\s*(?:from|import) (?:harness|drivers|profiles)\b.*", re.MULTILINE)


def commands() -> list[tuple[str, Any]]:
    found: list[tuple[str, Any]] = []

    def walk(name: str, command: Any) -> None:
        children = getattr(command, "commands", None)
        if children:
            for key, child in children.items():
                walk(f"{name} {key}".strip(), child)
        else:
            found.append((name, command))

    walk("", typer.main.get_command(app))
    return found


@pytest.mark.parametrize(("name", "command"), commands(), ids=lambda value: value if isinstance(value, str) else "")
def test_every_command_has_help_with_an_example(name: str, command: Any) -> None:
    text = command.help or ""
    assert "Example: amphora " + name in " ".join(text.split()), name


def test_the_contract_names_these_commands() -> None:
    names = {name for name, _ in commands()}
    assert names >= {
        "demo", "cell add", "cell list", "cell show", "bench check", "bench simulate", "plan", "run", "resume",
        "import", "analyse", "grade", "compare", "match", "fit", "certify", "verify", "watch", "plot", "label",
    }  # fmt: skip


def test_every_error_class_carries_its_exit_code_from_the_table() -> None:
    table = {
        "AmphoraError": 2, "InputError": 2, "QuantityError": 2, "AnalysisError": 2, "JournalDamaged": 2,
        "Refused": 1, "BenchError": 4, "Interrupted": 130, "Terminated": 143,
        "DriverError": 4, "LinkError": 4, "GarbledReply": 4, "InstrumentError": 4, "IdentityError": 4,
        "LimitError": 4, "DescriptionError": 2,
    }  # fmt: skip
    classes = {
        name: cls.exit_code
        for module in (amphora.harness.common.errors, amphora.drivers.errors)
        for name, cls in inspect.getmembers(module, inspect.isclass)
        if issubclass(cls, Exception)
    }
    assert classes == table


def test_help_answers_without_the_heavy_libraries() -> None:
    code = (
        "import sys; from amphora.harness.cli.app import app; "
        "heavy = ('numpy', 'pandas', 'scipy', 'matplotlib', 'pyvisa', 'typst', 'cryptography'); "
        "print([name for name in heavy if name in sys.modules])"
    )
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert answer.stdout.strip() == "[]"


def test_no_word_of_a_machine_or_a_registry_stands_in_the_tree() -> None:
    told = []
    for path in ROOT.rglob("*"):
        parts = path.relative_to(ROOT).parts
        if not path.is_file() or parts[0] in (".git", ".venv", "logs", "demo") or "__pycache__" in parts:
            continue
        if path.suffix not in (".py", ".md", ".toml", ".txt", ".typ", ".html", ".json", ".svg"):
            continue
        if any(part.startswith(".") and part != ".ci" for part in parts):
            continue
        text = path.read_text(encoding="utf-8", errors="replace")
        if re.search(r"/wor" + r"k/|/roo" + r"t/|pypi\.or" + r"g/simple|files\.pythonhoste" + "d", text):
            told.append(str(path.relative_to(ROOT)))
    assert told == []


def test_every_analysis_function_names_its_source() -> None:
    import importlib
    import pkgutil

    import amphora.harness.analysis

    missing = []
    for info in pkgutil.iter_modules(amphora.harness.analysis.__path__):
        if info.name == "records":
            continue
        module = importlib.import_module(f"amphora.harness.analysis.{info.name}")
        for name, function in inspect.getmembers(module, inspect.isfunction):
            ours = function.__module__ == module.__name__ and not name.startswith("_")
            if ours and "Source:" not in (inspect.getdoc(function) or ""):
                missing.append(f"{info.name}.{name}")
    assert missing == []


def test_every_package_of_the_three_folders_is_in_the_wheel() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    listed = set(project["tool"]["setuptools"]["packages"])
    found = {
        "amphora." + ".".join(path.parent.relative_to(ROOT).parts)
        for folder in ("harness", "drivers", "profiles")
        for path in (ROOT / folder).rglob("__init__.py")
    }
    assert listed == found - {"amphora.harness.library"} | {"amphora"}  # harness/library is the package itself


def test_nothing_is_imported_from_the_checkout_s_own_folder_names() -> None:
    wrong = []
    for path in (*(ROOT / "harness").rglob("*.py"), *(ROOT / "drivers").rglob("*.py"), *(ROOT / "tests").rglob("*.py")):
        if "fixtures" in path.parts:
            continue
        text = path.read_text(encoding="utf-8")
        wrong += [f"{path}: {line}" for line in STRAY.findall(text)]
    assert wrong == []
