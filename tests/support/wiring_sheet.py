"""A sheet on which a wiring is drawn: the few symbols that our benches need, as SVG with text that stays text."""

from collections.abc import Sequence
from html import escape

INK, SENSE, DATA, WARN = "#1f2933", "#0b6e4f", "#5b4a9c", "#8a4b00"
# kind of line: colour, width, dashes
KINDS = {"current": (INK, 4, ""), "thin": (INK, 2, ""), "sense": (SENSE, 2, ""), "data": (DATA, 2, "7 5")}
LEGEND = (("current", "the cell's current"), ("sense", "senses, carries none"), ("data", "data or command"))
HEAD = 36  # what title and legend take above the drawing
Point = tuple[float, float]


class Sheet:
    """One drawing. Coordinates in pixels from the top left; whatever is drawn later lies on top."""

    def __init__(self, title: str, words: str, height: int, width: int = 980) -> None:
        self.title, self.words, self.height, self.width = title, words, height, width
        self._parts: list[str] = []

    def wire(self, *points: Point, kind: str = "current") -> None:
        """A line from point to point; lines that cross without a dot are not joined."""
        colour, width, dashes = KINDS[kind]
        dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        self._parts.append(f'<polyline points="{path}" stroke="{colour}" stroke-width="{width}"{dashed}/>')

    def dot(self, x: float, y: float, kind: str = "current") -> None:
        """Two lines are joined here."""
        self._parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="5" fill="{KINDS[kind][0]}" stroke="none"/>')

    def text(
        self, x: float, y: float, words: str, size: int = 14, bold: bool = False, anchor: str = "start",
        colour: str = INK,
    ) -> None:  # fmt: skip
        weight = ' font-weight="bold"' if bold else ""
        self._parts.append(
            f'<text x="{x:g}" y="{y:g}" font-size="{size}" text-anchor="{anchor}" fill="{colour}" stroke="none"'
            f"{weight}>{escape(words, quote=False)}</text>"
        )

    def box(
        self, x: float, y: float, width: float, height: float, name: str, small: Sequence[str] = (), at: float = 0.5
    ) -> None:
        """An instrument: its name, and lines in small print, both in the middle or at that part of the width."""
        self._rectangle(x, y, width, height, "#f4f6f8", 8)
        lines = len(small)
        top = y + height / 2 + 5 - lines * 8
        self.text(x + width * at, top, name, 15, bold=True, anchor="middle")
        for n, line in enumerate(small):
            self.text(x + width * at, top + 18 + n * 16, line, 12, anchor="middle")

    def pin(self, x: float, y: float, words: str, right: bool = False) -> None:
        """What a terminal inside a box is called; the wire comes from the left, or from the right."""
        self.text(x + (-8 if right else 8), y + 5, words, 13, anchor="end" if right else "start")

    def cell(self, x: float, y: float, name: str = "cell") -> None:
        """A cell in its holder: plus at (x, y), minus 14 below; the sensor on the can at (x - 34, y + 7)."""
        self._parts.append(
            f'<rect x="{x - 62:g}" y="{y - 30:g}" width="112" height="74" rx="10" fill="#fbfaf5" stroke="{INK}" '
            f'stroke-width="1.5" stroke-dasharray="3 3"/>'
        )
        self.wire((x - 24, y), (x + 24, y), kind="thin")
        self.wire((x - 11, y + 14), (x + 11, y + 14))
        self.wire((x, y), (x, y - 30))
        self.wire((x, y + 14), (x, y + 44))
        self.text(x + 30, y - 4, "+", 18, bold=True)
        self.text(x + 30, y + 24, "−", 18, bold=True)
        self.text(x - 68, y - 10, name, 14, bold=True, anchor="end")

    def sensor(self, x: float, y: float) -> None:
        """A temperature sensor, lying on what it measures."""
        self._parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="11" fill="#ffffff" stroke="{INK}" stroke-width="2"/>')
        self.text(x, y + 5, "T", 13, bold=True, anchor="middle")

    def fuse(self, x: float, y: float, words: str = "fuse") -> None:
        """Lying, from (x, y) to (x + 60, y)."""
        self._rectangle(x, y - 9, 60, 18, "#ffffff")
        self.wire((x, y), (x + 60, y), kind="thin")
        self.text(x + 30, y - 17, words, 13, bold=True, anchor="middle", colour=WARN)

    def small_fuse(self, x: float, y: float) -> None:
        """In a sense lead, lying, from (x, y) to (x + 36, y)."""
        self._parts.append(
            f'<rect x="{x:g}" y="{y - 6:g}" width="36" height="12" fill="#ffffff" stroke="{SENSE}" stroke-width="2"/>'
        )
        self.wire((x, y), (x + 36, y), kind="sense")

    def resistor(self, x: float, y: float, words: Sequence[str] = ("R",), length: float = 80) -> None:
        """Standing, from (x, y) down."""
        self._rectangle(x - 10, y, 20, length, "#ffffff")
        for n, line in enumerate(words):
            self.text(x + 20, y + length / 2 + 5 + 16 * (n - (len(words) - 1) / 2), line, 13, bold=n == 0)

    def lying_resistor(self, x: float, y: float, words: str, length: float = 60) -> None:
        """Lying, from (x, y) to the right."""
        self._rectangle(x, y - 9, length, 18, "#ffffff")
        self.text(x + length / 2, y - 16, words, 12, anchor="middle")

    def contact(self, x: float, y: float, words: Sequence[str] = (), made: bool = False) -> None:
        """Lying, from (x, y) to (x + 60, y); drawn open unless `made`."""
        self.wire((x, y), (x + 56, y if made else y - 24))
        for one in (x, x + 60):
            self.dot(one, y)
        for n, line in enumerate(reversed(words)):
            self.text(x + 30, y - 34 - 16 * n, line, 13, anchor="middle", bold=n == len(words) - 1)

    def diode(self, x: float, y: float, words: str) -> None:
        """Lying, current from right to left: anode at (x + 40, y), cathode at (x, y)."""
        self._parts.append(
            f'<polygon points="{x + 36:g},{y - 16:g} {x + 36:g},{y + 16:g} {x + 6:g},{y:g}" fill="#ffffff" '
            f'stroke="{INK}" stroke-width="2"/>'
        )
        self.wire((x + 6, y - 16), (x + 6, y + 16), kind="thin")
        self.wire((x, y), (x + 6, y))
        self.wire((x + 36, y), (x + 40, y))
        self.text(x + 20, y - 26, words, 13, bold=True, anchor="middle")

    def mosfet(self, x: float, y: float, words: Sequence[str] = ()) -> None:
        """N-channel: gate at (x, y), drain at (x + 40, y - 30), source at (x + 40, y + 30)."""
        self.wire((x, y), (x + 12, y), kind="thin")
        self.wire((x + 12, y - 22), (x + 12, y + 22), kind="thin")
        self.wire((x + 20, y - 26), (x + 20, y + 26), kind="thin")
        self.wire((x + 20, y - 18), (x + 40, y - 18), (x + 40, y - 30))
        self.wire((x + 20, y + 18), (x + 40, y + 18), (x + 40, y + 30))
        for n, line in enumerate(words):
            self.text(x + 54, y + 5 + 16 * (n - (len(words) - 1) / 2), line, 13)

    def ground(self, x: float, y: float) -> None:
        """The one ground, at the end of a wire."""
        for n, half in enumerate((14, 9, 4)):
            self.wire((x - half, y + 6 * n), (x + half, y + 6 * n), kind="thin")

    def cautions(self, y: float, lines: Sequence[str]) -> None:
        """What has to be done before power, and what this wiring does not protect from."""
        height = 34 + 20 * len(lines)
        self._parts.append(
            f'<rect x="24" y="{y:g}" width="{self.width - 48}" height="{height:g}" rx="6" fill="#fff6e5" '
            f'stroke="{WARN}" stroke-width="2"/>'
        )
        self.text(40, y + 23, "Caution", 15, bold=True, colour=WARN)
        for n, line in enumerate(lines):
            self.text(40, y + 44 + 20 * n, "• " + line, 14)

    def svg(self) -> str:
        """The whole file."""
        legend: list[str] = []
        before, self._parts = self._parts, legend
        for n, (kind, words) in enumerate(LEGEND):
            x = 24 + 190 * n
            self.wire((x, 66), (x + 34, 66), kind=kind)
            self.text(x + 42, 71, words, 12)
        self._parts = before
        title, words = escape(self.title, quote=False), escape(self.words, quote=False)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {self.height + HEAD}" '
            f'font-family="sans-serif" role="img" '
            f'aria-labelledby="t d">\n<title id="t">{title}</title>\n<desc id="d">{words}</desc>\n'
            f'<rect width="{self.width}" height="{self.height + HEAD}" fill="#ffffff"/>\n'
            f'<text x="24" y="46" font-size="21" font-weight="bold" fill="{INK}">{title}</text>\n'
            '<g fill="none" stroke-linecap="round" stroke-linejoin="round">\n'
            + "\n".join([*legend, f'<g transform="translate(0 {HEAD})">', *self._parts])
            + "\n</g>\n</g>\n</svg>\n"
        )

    def _rectangle(self, x: float, y: float, width: float, height: float, fill: str, round_by: float = 0) -> None:
        self._parts.append(
            f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" rx="{round_by:g}" fill="{fill}" '
            f'stroke="{INK}" stroke-width="2"/>'
        )
