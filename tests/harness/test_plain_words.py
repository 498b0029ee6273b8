"""Words of our own making stay out of what a person reads: strings of the program, its docs, its help."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
WORDS = (
    "goes on for ever", "by eye and nose", "that ships", "the guard spoke", "bench lives", "of one's own",
    "gone through", "from beside", "reckon", "told apart", "of nothing in the rest", "index anew", "day gives back",
    "nobody guards", "eye and nose say", "current, warmth", "no primary cell", "seat the cell anew",
    "hardly tells", "nothing that happens to it", "speaks against", "speak against", "told aloud",
    "whoever takes it on", "hangs on what goes on", "so a little decides", "test would settle it", "is no charger",
    "series group wants", "a set wants", "charging wants", "charge wants", "the best there is", "had their night",
    "full, not sick", "out of doors", "record is nonsense", "turned round", "in no figure", "as going on",
    "makes sense of a cell", "fall on: a contact", "bench so hurried", "honest cells", "spared their night",
    "nobody meant to give", "fingers can tell", "takes gulps", "falls out by itself", "benches live",
    "lived on the simulated", "beside the limits", "set beside each other", "whoever wants to", "stands in the way",
)  # fmt: skip
WORST = re.compile("|".join(map(re.escape, WORDS)), re.IGNORECASE)


def shown(path: Path) -> list[tuple[int, str]]:
    """Return the strings of a module that may reach a person: all but the docstrings, save those of commands."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    kinds = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    inner = set()
    for node in ast.walk(tree):
        first = node.body[0] if isinstance(node, kinds) and node.body else None
        if isinstance(first, ast.Expr) and not ("cli" in path.parts and isinstance(node, ast.FunctionDef)):
            inner.add(id(first.value))
    texts = [node for node in ast.walk(tree) if isinstance(node, ast.Constant) and id(node) not in inner]
    return [(node.lineno, node.value) for node in texts if isinstance(node.value, str)]


@pytest.mark.parametrize("room", sorted(path.name for path in (ROOT / "harness").iterdir() if path.is_dir()))
def test_no_words_of_our_own_making_in_the_program(room: str) -> None:
    found = [
        f"{path.relative_to(ROOT)}:{line}: {text}"
        for path in sorted((ROOT / "harness" / room).rglob("*.py"))
        for line, text in shown(path)
        if WORST.search(text)
    ]
    assert not found, "\n".join(found)


def test_no_words_of_our_own_making_in_the_docs() -> None:
    pages = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
    found = [
        f"{page.name}:{number}: {line}"
        for page in pages
        for number, line in enumerate(page.read_text(encoding="utf-8").splitlines(), 1)
        if WORST.search(line)
    ]
    assert not found, "\n".join(found)
