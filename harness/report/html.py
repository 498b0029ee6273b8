"""Pages of HTML from templates: what comes from outside is escaped by default, scripts and styles are only our own.

The templates are the `.html` files in `templates/`; a value that a template names and nobody gives is an error. What a
page carries for its script stands in a JSON block that cannot be left, and its content policy lets nothing run but that
one script, known by its SHA-256. Imported by what draws a page, and by nothing else: the template engine costs time.
"""

import base64
import functools
import hashlib
import json
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

TEMPLATES = Path(__file__).parent / "templates"


@functools.cache
def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def page(template: str, **values: Any) -> str:
    """Return a template filled with values, each escaped where it stands but for what is `Markup`."""
    return _environment().get_template(template).render(**values)


def own_text(name: str) -> Markup:
    """Return a script or style of ours as it is."""
    return Markup((TEMPLATES / name).read_text(encoding="utf-8"))  # ships with the program


def script_json(value: Any) -> Markup:
    """Return JSON that stays data inside a script element whatever it holds."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for char in "<>&\u2028\u2029":
        text = text.replace(char, f"\\u{ord(char):04x}")
    return Markup(text)  # nothing in it can end the element


def content_policy(script: str, style: str) -> str:
    """Return the policy that allows this script and this style and nothing from elsewhere."""

    def digest(text: str) -> str:
        return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii") + "'"

    allowed = f"script-src {digest(script)}; style-src {digest(style)}"
    return f"default-src 'none'; {allowed}; base-uri 'none'; form-action 'none'"
