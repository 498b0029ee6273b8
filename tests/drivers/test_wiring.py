"""Promises of the wiring drawings: as drawn by the script, each with its fuse, its cautions and words for everybody."""

import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
import wiring_pictures
from matplotlib.textpath import TextPath

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "wiring.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", wiring_pictures.DRAWINGS)
def test_each_drawing_is_the_scripts_and_says_its_cautions_and_what_it_shows(name: str) -> None:
    sheet = wiring_pictures.DRAWINGS[name]()
    text = (DOCS / "pictures" / f"{name}.svg").read_text(encoding="utf-8")
    assert text == sheet.svg(), "python tests/support/wiring_pictures.py writes them anew"
    words = {"".join(one.itertext()) for one in ElementTree.fromstring(text).iter("{http://www.w3.org/2000/svg}text")}
    assert {"fuse", "Caution"} <= words
    assert any("at most twice the largest current" in one for one in words)
    assert any("hand meter" in one for one in words)
    assert f"![{sheet.words}](pictures/{name}.svg)" in PAGE


def test_no_text_leaves_its_sheet() -> None:
    """Measured in DejaVu Sans, which is as wide as any font that stands for sans-serif."""
    for name, draw in wiring_pictures.DRAWINGS.items():
        sheet = draw()
        for x, size, anchor, words in re.findall(
            r'<text x="([\d.]+)"[^>]* font-size="(\d+)" text-anchor="(\w+)"[^>]*>([^<]*)<', sheet.svg()
        ):
            width = TextPath((0, 0), words or ".", size=float(size)).get_extents().width
            left = float(x) - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * width
            assert left >= -4.0 and left + width <= sheet.width + 4.0, (name, words)


def test_a_relays_contact_is_drawn_open_and_each_gate_has_its_pull_down() -> None:
    for name in ("wiring-mosfet", "wiring-relay-at-rest"):
        assert "10 kΩ" in wiring_pictures.DRAWINGS[name]().svg()
    for name in ("wiring-resistor-and-board", "wiring-resistor-and-supply", "wiring-load-and-supply"):
        assert "open at rest" in wiring_pictures.DRAWINGS[name]().svg()
