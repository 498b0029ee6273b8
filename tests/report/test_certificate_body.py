"""What a certificate states stands in JSON and comes back as it was; the schema says the same as the types."""

import json
from dataclasses import fields, is_dataclass
from typing import Any, get_args, get_type_hints

import pytest
from hypothesis import given, settings

from amphora.harness.common.as_json import ABSENT, known_of, to_json
from amphora.harness.report.certificate.body import Certificate, CycleStated, ResultsStated, RunStated
from amphora.harness.report.certificate.schema import PATH
from tests.support.any_of_a_type import made


@settings(max_examples=60, deadline=None, database=None)
@given(made(Certificate))
def test_what_is_stated_comes_back_as_it_was(stated: Certificate) -> None:
    text = json.dumps(stated.to_json(), allow_nan=False)
    assert Certificate.from_json(json.loads(text)) == stated
    assert json.dumps(Certificate.from_json(json.loads(text)).to_json(), allow_nan=False) == text
    assert known_of(Certificate, json.loads(text)) == stated  # as it is read out of a file of unknown origin


def test_what_an_older_certificate_does_not_state_is_not_the_same_as_none() -> None:
    hints = get_type_hints(RunStated)
    assert ABSENT in get_args(hints["cycle"]) or type(ABSENT) in get_args(hints["cycle"])
    plain = to_json(ResultsStated(*[None] * 10, True, "full", ()))  # type: ignore[arg-type]
    assert "temperature_rise_U_K" not in plain and plain["charge_Ah"] is None
    assert to_json(CycleStated(None, None, None))["energy_efficiency"] is None


def types_in(hint: Any) -> list[type]:
    if isinstance(hint, type) and is_dataclass(hint):
        return [hint]
    return [found for part in get_args(hint) for found in types_in(part)]


def tables_in(schema: Any, kind: type) -> list[tuple[type, dict[str, Any]]]:
    """Each type of a certificate with its table of the schema."""
    found = [(kind, schema)]
    for name, hint in get_type_hints(kind).items():
        for inner in types_in(hint):
            place = schema["properties"][name]
            for table in [place, place.get("items"), place.get("additionalProperties"), *place.get("oneOf", [])]:
                if isinstance(table, dict) and "properties" in table:
                    found += tables_in(table, inner)
    return found


TABLES = tables_in(json.loads(PATH.read_text(encoding="utf-8"))["properties"]["certificate"], Certificate)


@pytest.mark.parametrize(("kind", "table"), TABLES, ids=[kind.__name__ for kind, _ in TABLES])
def test_the_published_schema_has_the_keys_of_the_types(kind: type, table: dict[str, Any]) -> None:
    assert len(TABLES) >= 20
    assert set(table["properties"]) == {item.name for item in fields(kind)}
    assert table["additionalProperties"] is False
