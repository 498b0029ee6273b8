"""Pages from templates: whatever a cell or its source is called, it stands on the page as text and as nothing else."""

import html.parser
import subprocess
import sys
from typing import Any

import pytest
from jinja2 import UndefinedError
from paper_runs import cell_record

from amphora.harness.cells.cell import Cell
from amphora.harness.decisions.compared import ComparedRow
from amphora.harness.decisions.sources import One, by_source
from amphora.harness.report import html as pages
from amphora.harness.report.comparison_page import build_page
from amphora.harness.report.comparison_rows import PageRow
from amphora.harness.report.intake_page import intake_page
from amphora.harness.report.live_page import live_html
from amphora.harness.report.sources_text import section

HOSTILE = (
    "<script>alert(1)</script>", '" onload="x', "' autofocus onfocus='x", "</style></title><b>", "{{ 7*7 }}{% raw %}"
)  # fmt: skip
OURS = {
    "html", "head", "meta", "title", "style", "body", "header", "main", "footer", "h1", "h2", "p", "ul", "li", "form",
    "label", "input", "select", "option", "div", "table", "thead", "tbody", "tr", "th", "td", "button", "span",
    "strong", "br", "small", "svg", "path", "script",
}  # fmt: skip


class Elements(html.parser.HTMLParser):
    """All that is an element or an attribute, and all text."""

    def __init__(self) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.attributes: set[str] = set()
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data: str) -> None:
        self.text += data


def elements(page: str) -> Elements:
    read = Elements()
    read.feed(page)
    read.close()
    return read


def comparison(name: str) -> str:
    compared = ComparedRow(cell=name, run=f"logs/{name}/{name}", grade=name, rank=1)
    row = PageRow(Cell(**cell_record(id=name, source=name, form=name, chemistry=name)), compared)
    sources = section(by_source([One("a", name, "2026-11", 1.0), One("b", "another", "2026-11", 1.1)]))
    return build_page([row], name, name, [name], name, [name], sources)


def intake(name: str) -> str:
    return intake_page([Cell(id=name, form=name, source=name, chemistry="auto")], name)


@pytest.mark.parametrize("made", [comparison, intake])
@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_stays_text_on_every_page(made: Any, name: str) -> None:
    seen = elements(made(name))
    assert seen.names <= OURS
    assert not {attribute for attribute in seen.attributes if attribute.startswith("on")}
    assert "autofocus" not in seen.attributes
    assert name in seen.text
    assert "49" not in seen.text.replace(name, "")  # no template is made of what a person wrote


def test_a_value_that_nobody_gives_is_an_error() -> None:
    with pytest.raises(UndefinedError):
        pages.page("live.html", style="")


def test_the_live_page_holds_its_own_script_and_style_as_they_are() -> None:
    page, policy = live_html()
    script, style = pages.own_text("live.js"), pages.own_text("live.css")
    assert f"<script>{script}</script>" in page and f"<style>{style}</style>" in page
    assert policy.startswith(pages.content_policy(script, style))


def test_the_engine_of_templates_is_loaded_by_what_draws_a_page_only() -> None:
    asked = "import sys, amphora.harness.cli.app as a; sys.exit('jinja2' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", asked], check=False, timeout=120).returncode == 0
