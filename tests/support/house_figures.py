"""The figures of the house: how large, how tangled, how often a fact stands. Run it to see them.

    python tests/support/house_figures.py            # print the figures beside their ceilings
    python tests/support/house_figures.py --shrink   # shorten house_ceilings.toml to what is needed

`--shrink` lowers numbers and takes out names; it never raises or adds. `--as-is` writes down what is, for the one case
of branches coming together that did not know each other's ceilings: read the difference before you commit it.
`tests/harness/test_house_figures.py` holds the tree to the ceilings.
"""

import ast
import re
import sys
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

ROOT = Path(__file__).parents[2]
Function = ast.FunctionDef | ast.AsyncFunctionDef
CEILINGS = Path(__file__).with_name("house_ceilings.toml")
MODULE_LINES, FUNCTION_LINES, BRANCHES = 600, 80, 20
RUN_FILES = {"run.json", "samples.csv", "events.jsonl"}
UNIT_NAMES = {"V", "mV", "A", "mA", "Ah", "mAh", "ohm", "mohm", "W", "Wh", "s", "min", "h", "degC", "K", "g", "kg", "%"}
FORMS = {"18650", "21700", "26650", "14500", "AA", "AAA", "16340", "32700", "C", "D", "pouch"}
CALLED_BY_LIBRARIES = {"list_commands", "handle_error", "log_message"}  # names that the library asks for
FORKS = (
    ast.If, ast.For, ast.While, ast.IfExp, ast.ExceptHandler, ast.comprehension, ast.match_case, ast.Assert, ast.With,
)  # fmt: skip


@dataclass(frozen=True)
class Module:
    """One module of the wheel: its dotted name below `amphora`, its text and its tree."""

    name: str
    text: str
    tree: ast.Module

    @cached_property
    def nodes(self) -> tuple[ast.AST, ...]:
        """All nodes of the tree."""
        return tuple(ast.walk(self.tree))


@dataclass(frozen=True)
class House:
    """All modules that ship."""

    modules: tuple[Module, ...]

    @cached_property
    def functions(self) -> tuple[tuple[str, Function], ...]:
        """Each function with its dotted name, methods and inner functions too."""
        return tuple(found for module in self.modules for found in _functions(module.tree, module.name))

    @cached_property
    def imports(self) -> tuple[tuple[str, str, bool], ...]:
        """(who, what, inside a function) for each import that is run, type-checking imports left out."""
        names = {module.name for module in self.modules}
        return tuple(
            (module.name, what, inside)
            for module in self.modules
            for what, inside in _imports(module.tree, names, False)
        )


def read() -> House:
    """Read the tree of the checkout."""
    found = []
    for folder in ("drivers", "harness", "profiles"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            if "firmware" in parts:
                continue  # runs on a board
            text = path.read_text(encoding="utf-8")
            found.append(Module(".".join(parts).removesuffix(".__init__"), text, ast.parse(text)))
    return House(tuple(found))


def _statements(node: ast.AST) -> Iterator[ast.AST]:
    """Give the statements right inside a statement; nothing that stands in an expression."""
    for field in ("body", "orelse", "finalbody", "handlers", "cases"):
        yield from getattr(node, field, ())


def _functions(node: ast.AST, name: str) -> Iterator[tuple[str, Function]]:
    for child in _statements(node):
        if isinstance(child, Function):
            yield f"{name}.{child.name}", child
            yield from _functions(child, f"{name}.{child.name}")
        elif isinstance(child, ast.ClassDef):
            yield from _functions(child, f"{name}.{child.name}")
        else:
            yield from _functions(child, name)


def _own_nodes(node: ast.AST) -> Iterator[ast.AST]:
    """Give what belongs to a function itself, not to one inside it."""
    to_see = [node]
    while to_see:
        for child in ast.iter_child_nodes(to_see.pop()):
            if not isinstance(child, Function | ast.ClassDef):
                yield child
                to_see.append(child)


def branches_of(function: ast.AST) -> int:
    """Return how many ways may be taken in a function: forks, and each further operand of and/or."""
    count = 0
    for node in _own_nodes(function):
        if isinstance(node, ast.BoolOp):
            count += len(node.values) - 1
        elif isinstance(node, FORKS) and not isinstance(node, ast.With):
            count += 1
    return count


def large_modules(house: House) -> dict[str, int]:
    """Return the modules above 600 non-blank lines."""
    sizes = {module.name: sum(bool(line.strip()) for line in module.text.splitlines()) for module in house.modules}
    return {name: lines for name, lines in sizes.items() if lines > MODULE_LINES}


def long_functions(house: House) -> dict[str, int]:
    """Return the functions above 80 lines, from `def` to the last."""
    sizes = {name: (node.end_lineno or 0) - node.lineno + 1 for name, node in house.functions}
    return {name: lines for name, lines in sizes.items() if lines > FUNCTION_LINES}


def branching_functions(house: House) -> dict[str, int]:
    """Return the functions with more than 20 branches."""
    sizes = {name: branches_of(node) for name, node in house.functions}
    return {name: count for name, count in sizes.items() if count > BRANCHES}


def _imports(node: ast.AST, names: set[str], inside: bool) -> Iterator[tuple[str, bool]]:
    for child in _statements(node):
        if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
            continue
        if isinstance(child, ast.Import):
            yield from ((alias.name.removeprefix("amphora."), inside) for alias in child.names)
        elif isinstance(child, ast.ImportFrom):
            base = (child.module or "").removeprefix("amphora.")
            for alias in child.names:
                full = f"{base}.{alias.name}"
                yield full if full in names else base, inside
        else:
            yield from _imports(child, names, inside or isinstance(child, Function))


def circles(house: House) -> list[str]:
    """Return each group of modules that reach each other by imports."""
    graph: dict[str, set[str]] = defaultdict(set)
    names = {module.name for module in house.modules}
    for who, what, _ in house.imports:
        if what in names and what != who:
            graph[who].add(what)
    reach: dict[str, set[str]] = {}
    for name in names:
        seen: set[str] = set()
        to_see = [name]
        while to_see:
            for nearby in graph[to_see.pop()] - seen:
                seen.add(nearby)
                to_see.append(nearby)
        reach[name] = seen
    groups = {frozenset({name, *(o for o in reach[name] if name in reach[o])}) for name in names if name in reach[name]}
    return sorted(" + ".join(sorted(group)) for group in groups)


def keyed_look_ups(house: House) -> int:
    """Return how often something is looked up by a text in the source: `x["key"]`, `x.get("key")`."""
    count = 0
    for module in house.modules:
        for node in module.nodes:
            if isinstance(node, ast.Subscript):
                count += _is_text(node.slice) and isinstance(node.ctx, ast.Load)
            elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "get":
                count += bool(node.args) and _is_text(node.args[0])
    return count


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def naming_run_files(house: House) -> list[str]:
    """Return the modules that name a file of a run folder by themselves, beside `archive.run_folder`."""
    found = []
    for module in house.modules:
        texts = [node.value for node in module.nodes if isinstance(node, ast.Constant)]
        if module.name == "harness.archive.run_folder":
            continue  # its home
        if any(isinstance(text, str) and len(text) < 40 and text.split("/")[-1] in RUN_FILES for text in texts):
            found.append(module.name)
    return found


def printing_with_U(house: House) -> list[str]:
    """Return the functions that put a value and its uncertainty side by side."""
    found = []
    for name, function in house.functions:
        if name.startswith("harness.common.words."):
            continue  # its home
        for node in _own_nodes(function):
            parts = node.values if isinstance(node, ast.JoinedStr) else []
            if any(
                isinstance(part, ast.Constant) and str(part.value).strip().endswith("±") and 0 < i < len(parts) - 1
                for i, part in enumerate(parts)
            ):
                found.append(name)
                break
    return sorted(found)


def tables_of_units(house: House) -> list[str]:
    """Return the modules with a table from unit names to numbers, beside `drivers.quantities`."""
    found = []
    for module in house.modules:
        for node in module.nodes:
            if not isinstance(node, ast.Dict):
                continue
            if (
                module.name != "drivers.quantities"
                and sum(_unit_entry(key, value) for key, value in zip(node.keys, node.values, strict=True)) >= 2
            ):
                found.append(module.name)
    return sorted(set(found))


def _unit_entry(key: ast.AST | None, value: ast.AST) -> bool:
    number = any(isinstance(n, ast.Constant) and isinstance(n.value, int | float) for n in ast.walk(value))
    return isinstance(key, ast.Constant) and key.value in UNIT_NAMES and number


def tables_of_forms(house: House) -> list[str]:
    """Return the modules with a table keyed by formats of cells."""
    found = set()
    for module in house.modules:
        for node in module.nodes:
            keys = {k.value for k in node.keys if isinstance(k, ast.Constant)} if isinstance(node, ast.Dict) else set()
            if len(FORMS & keys) >= 2:
                found.add(module.name)
    return sorted(found)


def uncalled(house: House) -> dict[str, int]:
    """Return the public functions, methods and classes whose name nothing else that ships uses, with their lines.

    The face of the package (`harness.library`) and what a decorator hands to somebody are called from outside.
    """
    mentioned = Counter(word for module in house.modules for word in _mentioned(module))
    for path in (ROOT / "harness" / "report" / "templates").iterdir():  # a template asks for properties by name
        for asked in re.findall(r"{[{%](.*?)[%}]}", path.read_text(encoding="utf-8"), re.DOTALL):
            mentioned.update(re.findall(r"[A-Za-z_]\w*", asked))
    found = {}
    for module in house.modules:
        if module.name == "harness.library":
            continue
        for node in module.nodes:
            if not isinstance(node, ast.FunctionDef | ast.ClassDef) or node.name.startswith("_"):
                continue
            if node.decorator_list and not _known_decorator(node):
                continue
            if not mentioned[node.name] and node.name not in CALLED_BY_LIBRARIES:
                found[f"{module.name}.{node.name}"] = (node.end_lineno or 0) - node.lineno + 1
    return found


def _known_decorator(node: ast.FunctionDef | ast.ClassDef) -> bool:
    return all(re.match(r"(dataclass|property|staticmethod|classmethod|cache|lru_cache|contextmanager)", ast.unparse(d))
               for d in node.decorator_list)  # fmt: skip


def _mentioned(module: Module) -> Iterator[str]:
    """Give each name that is used; one in a text that is nothing but a name counts (annotations, tables of names)."""
    for node in module.nodes:
        if isinstance(node, ast.Name):
            yield node.id
        elif isinstance(node, ast.Attribute):
            yield node.attr
        elif isinstance(node, ast.alias):
            yield node.name
        elif isinstance(node, ast.keyword):
            yield node.arg or ""
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and len(node.value) < 80:
            yield from re.findall(r"[A-Za-z_]\w*", node.value)


def unused_modules(house: House) -> dict[str, int]:
    """Return the modules that nothing else in the wheel imports or names, with their non-blank lines."""
    used = {what for _, what, _ in house.imports}
    texts = "\n".join(module.text for module in house.modules)
    found = {}
    for module in house.modules:
        last = module.name.rsplit(".", 1)[-1]
        entry = (
            last == "__main__"
            or module.name in ("harness.library", "profiles")
            or module.name.startswith("harness.cli.")
        )
        package = any(other.name.startswith(module.name + ".") for other in house.modules)
        if not (entry or package or module.name in used or f"amphora.{module.name}" in texts):
            found[module.name] = sum(bool(line.strip()) for line in module.text.splitlines())
    return found


def doubled_classes(house: House) -> list[str]:
    """Return the class names that stand in two modules, private ones left out."""
    where: dict[str, list[str]] = defaultdict(list)
    for module in house.modules:
        for node in module.tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                where[node.name].append(module.name)
    return sorted(f"{name}: {', '.join(modules)}" for name, modules in where.items() if len(modules) > 1)


def top_level_names() -> list[str]:
    """Return what the wheel puts into site-packages."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return sorted({name.split(".")[0] for name in project["tool"]["setuptools"]["packages"]})


def named(house: House) -> dict[str, list[str]]:
    """Return each list of exceptions by name, as it is now."""
    return {
        "modules_over_600_lines": sorted(large_modules(house)),
        "functions_over_80_lines": sorted(long_functions(house)),
        "functions_over_20_branches": sorted(branching_functions(house)),
        "circles_of_imports": circles(house),
        "modules_that_name_a_run_s_files": naming_run_files(house),
        "functions_that_print_a_value_with_U": printing_with_U(house),
        "modules_with_a_table_of_units": tables_of_units(house),
        "modules_with_a_table_of_forms": tables_of_forms(house),
        "called_by_nothing_that_ships": sorted({**uncalled(house), **unused_modules(house)}),
        "class_names_in_two_modules": doubled_classes(house),
        "top_level_names_of_the_wheel": top_level_names(),
    }


def counted(house: House) -> dict[str, int]:
    """Return the figures that are numbers, as they are now."""
    inside = [(who, what) for who, what, within in house.imports if within]
    return {
        "modules_side_by_side_in_harness": len(set((ROOT / "harness").glob("*.py"))) - 2,  # __init__, __main__
        "largest_module_lines": max([MODULE_LINES, *large_modules(house).values()]),
        "longest_function_lines": max([FUNCTION_LINES, *long_functions(house).values()]),
        "imports_inside_functions": len(inside),
        "imports_of_our_own_inside_functions": sum(what.split(".")[0] in ("harness", "drivers") for _, what in inside),
        "string_keyed_look_ups": keyed_look_ups(house),
        "lines_only_tests_use": sum(uncalled(house).values()) + sum(unused_modules(house).values()),
    }  # fmt: skip


def ceilings() -> dict[str, dict[str, object]]:
    """Return what stands in `house_ceilings.toml`."""
    return tomllib.loads(CEILINGS.read_text(encoding="utf-8")) if CEILINGS.exists() else {}


def _written(numbers: dict[str, int], names: dict[str, list[str]], reasons: dict[str, object]) -> str:
    lines = [
        "# What the tree may be at most (tests/support/house_figures.py). Numbers may only fall, lists only shrink.",
        "",
    ]
    lines += ["[most]", *(f"{key} = {value}" for key, value in numbers.items()), "", "[names]"]
    for key, values in names.items():
        lines += [f"{key} = [", *(f'    "{value}",' for value in values), "]"]
    listed = {value for values in names.values() for value in values}
    lines += ["", "[reasons]", *(f'"{name}" = "{why}"' for name, why in reasons.items() if name in listed)]
    return "\n".join(lines) + "\n"


def main(words: list[str]) -> None:
    """Print the figures, or shrink the ceilings."""
    house = read()
    numbers, names, most = counted(house), named(house), ceilings()
    reasons = most.get("reasons", {})  # why a name stands in a list and is to stay there
    if "--as-is" in words:
        CEILINGS.write_text(_written(numbers, names, reasons), encoding="utf-8")
        return
    if "--shrink" in words:
        held_numbers, held_names = most.get("most", {}), most.get("names", {})
        lowered = {key: min(value, int(str(held_numbers.get(key, value)))) for key, value in numbers.items()}
        left = {
            key: [value for value in values if value in held_names.get(key, values)]  # type: ignore[operator]
            for key, values in names.items()
        }
        CEILINGS.write_text(_written(lowered, left, reasons), encoding="utf-8")
        return
    for key, value in numbers.items():
        print(f"{value:6d}  {key.replace('_', ' ')} (at most {most.get('most', {}).get(key, '?')})")
    for key, values in names.items():
        print(f"{len(values):6d}  {key.replace('_', ' ')}")
        if "--names" in words:
            for value in values:
                print(f"          {value}" + (f": {reasons[value]}" if value in reasons else ""))


if __name__ == "__main__":
    main(sys.argv[1:])
