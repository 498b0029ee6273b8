"""Plans of cells and benches that a test writes down as data: what is needed and not said is filled in."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from amphora.drivers.roles import Abilities
from amphora.harness.bench.bench_file import BenchDescription, bench_from_dict
from amphora.harness.cells.cell import Cell
from amphora.harness.plans.build import build_plan as build
from amphora.harness.plans.charge_permission import Permission
from amphora.harness.plans.charge_permission import permission as permit
from amphora.harness.plans.plan import Plan
from amphora.harness.plans.recipe import Recipe


def described(data: Mapping[str, Any]) -> BenchDescription:
    """Return a bench given as data; `abilities`: what each instrument can."""
    abilities = {
        name: one if isinstance(one, Abilities) else Abilities(**one) for name, one in data.get("abilities", {}).items()
    }
    instruments = {
        name: {"port" if table["role"] in ("logger", "switch") else "resource": "simulated", **table}
        for name, table in data["instruments"].items()
    }
    written = {key: value for key, value in data.items() if key != "abilities"} | {"instruments": instruments}
    return replace(bench_from_dict(written), abilities=abilities)


def build_plan(profile: str | Recipe, cell: Mapping[str, Any], bench: Mapping[str, Any] | None, **asked: Any) -> Plan:
    """Return a plan as `plans.build.build_plan` does."""
    return build(profile, Cell.from_dict(cell), None if bench is None else described(bench), **asked)


def permission(recipe: Recipe, cell: Mapping[str, Any]) -> Permission:
    """Return what a recipe may do with a cell, as `plans.charge_permission.permission` does."""
    return permit(recipe, Cell.from_dict(cell))
