"""The published JSON Schema of the certificate's data: `certificate.schema.json` beside this file."""

import json
from pathlib import Path
from typing import Any

PATH = Path(__file__).parent / "certificate.schema.json"


def certificate_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of the document attached to a certificate."""
    schema = json.loads(PATH.read_text(encoding="utf-8"))
    assert isinstance(schema, dict)
    return schema
