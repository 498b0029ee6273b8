"""Where the published JSON Schema of the certificate's data is (draft 2020-12)."""

from pathlib import Path

PATH = Path(__file__).parent / "certificate.schema.json"
