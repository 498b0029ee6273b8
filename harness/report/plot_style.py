"""How our pictures look: one palette, one type, one set of line styles for every report.

Quiet colours that keep their order when printed in grey (each is lighter than the one before) and that stay
apart for eyes that confuse red and green (the hues go from blue to yellow). Colour never carries a meaning
alone: every series also has its own line style and marker.
"""

import re
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

INK = "#1d2529"  # text and axes
FAINT = "#8a949a"  # secondary text, reference lines
GRID = "#e3e6e8"
PAPER = "#ffffff"
COLOURS = ("#17375e", "#8a3b2a", "#3f7f88", "#b98a2e", "#8fa6c4", "#d4bf8a")
DASHES: tuple[Any, ...] = ("-", (0, (6, 2)), (0, (1.2, 1.4)), (0, (6, 2, 1.2, 2)), (0, (3, 1.2)), (0, (9, 2, 3, 2)))
MARKERS = ("o", "s", "^", "D", "v", "P")
FONTS = Path(__file__).parent / "fonts"
WIDTH_IN, HEIGHT_IN = 7.2, 4.4
MOST_POINTS = 4000


def series(index: int) -> dict[str, Any]:
    """Return colour, line style and width of the n-th series of a picture, as keywords for a line."""
    # After six series the colours come round again with another line style.
    shift = index // len(COLOURS)
    return {
        "color": COLOURS[index % len(COLOURS)],
        "linestyle": DASHES[(index + shift) % len(DASHES)],
        "linewidth": 1.4,
    }


OF_CELLS = 4  # the colours that a curve of a cell takes: each at least 3:1 on paper
LOOKS = OF_CELLS * len(DASHES)
SVG_DASHES = ("none", "9 3", "2 2.5", "9 3 2 3", "4.5 2", "13 3 3 3")  # DASHES as a page draws them


def place_of(cell: str) -> int:
    """Return the place of a cell among the looks, from its name alone: 'light-3' and 'L7-c' are both the third."""
    end = re.search(r"(\d+)$|(?<![A-Za-z])([A-Za-z])$", cell)
    if end is None:
        return zlib.crc32(cell.encode("utf-8")) % LOOKS
    return ((int(end[1]) if end[1] else ord(end[2].lower()) - ord("a") + 1) - 1) % LOOKS


def places_of(cells: Sequence[str]) -> list[int]:
    """Return the places of cells in one picture: each its own; of two with the same the later takes the next free."""
    taken: list[int] = []
    for cell in cells:
        place = place_of(cell)
        while place in taken and len(taken) < LOOKS:
            place = (place + 1) % LOOKS
        taken.append(place)
    return taken


def of_cell(place: int) -> dict[str, Any]:
    """Return colour, line style and width of a cell's curve, as keywords for a line."""
    return {"color": COLOURS[place % OF_CELLS], "linestyle": DASHES[_dash(place)], "linewidth": 1.4}


def mark_of(place: int) -> str:
    """Return the marker of a cell."""
    return MARKERS[_dash(place)]


def svg_look(place: int) -> tuple[str, str, int]:
    """Return colour, dashes and the number of the marker of a cell as a page draws them."""
    return COLOURS[place % OF_CELLS], SVG_DASHES[_dash(place)], _dash(place)


def _dash(place: int) -> int:
    return (place + place // OF_CELLS) % len(DASHES)


@contextmanager
def style() -> Iterator[None]:
    """Apply our style to the figures made inside, and nothing outside."""
    import matplotlib
    from matplotlib import font_manager

    known = {entry.name for entry in font_manager.fontManager.ttflist}
    if "Inter" not in known:
        for path in sorted(FONTS.glob("Inter-*.otf")):
            font_manager.fontManager.addfont(str(path))
    settings: Any = {
        "font.family": ["Inter", "DejaVu Sans"],
        "font.size": 9.0,
        "axes.edgecolor": FAINT,
        "axes.labelcolor": INK,
        "axes.titlecolor": INK,
        "axes.titlesize": 10.5,
        "axes.titlelocation": "left",
        "axes.titleweight": "normal",
        "axes.titlepad": 10.0,
        "axes.linewidth": 0.8,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.grid": True,
        "axes.axisbelow": True,
        "axes.formatter.useoffset": False,
        "grid.color": GRID,
        "grid.linewidth": 0.7,
        "xtick.color": FAINT,
        "ytick.color": FAINT,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "text.color": INK,
        "legend.frameon": False,
        "legend.fontsize": 8.5,
        "legend.handlelength": 3.2,
        "figure.facecolor": PAPER,
        "savefig.facecolor": PAPER,
        "svg.hashsalt": "amphora",
        "svg.fonttype": "path",
        "pdf.fonttype": 42,
        "path.simplify": True,
    }
    with matplotlib.rc_context(settings):
        yield


def metadata(suffix: str, title: str) -> dict[str, Any]:
    """Return the metadata a picture carries: a title, and no date, so that the same run gives the same bytes."""
    if suffix == ".png":
        return {"Title": title, "Software": None}
    if suffix == ".svg":
        return {"Title": title, "Date": None, "Creator": None}
    return {"Title": title, "CreationDate": None, "ModDate": None, "Creator": None, "Producer": None}
