"""The guard's memory as plain data and back, to compare what it was with what it is."""

import dataclasses
from collections.abc import Mapping
from typing import Any

from amphora.harness.control.memory import Memory
from amphora.harness.plans.plan import Order


def memory_to_dict(memory: Memory) -> dict[str, Any]:
    """Return the memory as plain JSON-able data."""
    return dataclasses.asdict(memory)


def memory_from_dict(data: Mapping[str, Any]) -> Memory:
    """Return the memory that `memory_to_dict` wrote, also when it went through JSON."""
    fields = dict(data)
    fields["order"] = Order(**fields["order"])
    fields["minute"] = tuple(fields["minute"])
    fields["repeated_s"] = tuple(fields["repeated_s"])
    for name in ("temperatures", "rest_trail", "climb", "fall_trail"):
        fields[name] = tuple((float(a), float(b)) for a, b in fields[name])
    return Memory(**fields)
