"""Small exact plots and codes for paper and page, as SVG; lengths in point."""

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass


def qr_svg(text: str) -> str:
    """Return a QR code as SVG text without quiet zone (the page leaves it free)."""
    import segno

    buffer = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        buffer, kind="svg", border=0, xmldecl=False, svgns=True, nl=False, omitsize=True
    )
    return buffer.getvalue().decode("utf-8")


INK, TEAL, QUIET, RULE, EARLIER = "#1c2b33", "#1f5f6b", "#5a6a72", "#cfd8dc", "#7f8f96"
FONT = 'font-family="Inter" font-size="7.6"'
RIGHT, TOP, BOTTOM = 6.0, 16.0, 24.0  # room around the axes, in point
DASHES = ("4 1.6", "1.2 1.4", "6 1.6 1.2 1.6", "2.4 1.2")  # of earlier runs


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers from `low` to `high`, at most about `most`."""
    span = high - low
    if not span > 0:
        return [low]
    step = 10 ** math.floor(math.log10(span / most))
    for factor in (1, 2, 5, 10):
        if span / (step * factor) <= most:
            step *= factor
            break
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(i * step, 10) for i in range(first, last + 1)]


@dataclass(frozen=True)
class Mark:
    """One point of a plot, with the half height of its bar; `hollow` for those of earlier runs."""

    x: float
    y: float
    half: float | None = None
    hollow: bool = False


def plot_svg(
    lines: Sequence[Sequence[tuple[float, float]]],
    x_name: str,
    y_name: str,
    width: float,
    height: float,
    marks: Sequence[Mark] = (),
    x_most: float | None = None,
    colour: str = TEAL,
) -> str:
    """Return one quiet plot as SVG, lengths in point; of several lines the last is the one that counts.

    Args:
        lines: Curves as (x, y) pairs.
        x_name, y_name: What the axes say, with unit.
        width, height: Size on the page.
        marks: Points with bars.
        x_most: The x axis reaches at least to here.
        colour: Of the line that counts.
    """
    axes = _axes(lines, marks, width, height, x_most)
    if axes is None:
        return ""
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}">',
        *_grid(axes),
        *_curves(axes, lines, colour),
        *(_mark(axes, mark) for mark in marks),
        f'<text x="0" y="7.6" fill="{INK}" {FONT}>{y_name}</text>',
        f'<text x="{width - RIGHT:g}" y="{height - 2:g}" text-anchor="end" fill="{INK}" {FONT}>{x_name}</text></svg>',
    ]
    return "".join(out)


@dataclass(frozen=True)
class _Axes:
    """Where values stand on a plot; lengths in point."""

    width: float
    height: float
    x_low: float
    x_high: float
    y_low: float
    y_high: float
    left: float
    y_ticks: list[float]

    def x(self, value: float) -> float:
        return self.left + (value - self.x_low) / (self.x_high - self.x_low) * (self.width - self.left - RIGHT)

    def y(self, value: float) -> float:
        return TOP + (self.y_high - value) / (self.y_high - self.y_low) * (self.height - TOP - BOTTOM)


def _axes(
    lines: Sequence[Sequence[tuple[float, float]]],
    marks: Sequence[Mark],
    width: float,
    height: float,
    x_most: float | None,
) -> _Axes | None:
    """Return axes that hold everything with some room around it; None where there is nothing."""
    points = [p for line in lines for p in line] + [(m.x, m.y) for m in marks]
    if not points:
        return None
    bars = [(m.y - (m.half or 0), m.y + (m.half or 0)) for m in marks]
    x_low, x_high = min(0.0, *(p[0] for p in points)), max(x_most or 0.0, *(p[0] for p in points))
    y_low = min([p[1] for p in points] + [b[0] for b in bars])
    y_high = max([p[1] for p in points] + [b[1] for b in bars])
    x_high = x_low + (x_high - x_low) * 1.02 if x_high > x_low else x_low + 1
    pad = (y_high - y_low) * 0.08 or abs(y_high) * 0.1 or 1
    y_low, y_high = y_low - pad, y_high + pad
    y_ticks = ticks(y_low, y_high, 8 if height > 200 else 5)
    left = 8.0 + 4.5 * max(len(f"{v:g}") for v in y_ticks)
    return _Axes(width, height, x_low, x_high, y_low, y_high, left, y_ticks)


def _grid(axes: _Axes) -> list[str]:
    left, end, base = axes.left, axes.width - RIGHT, axes.height - BOTTOM
    out = [
        f'<line x1="{left:.2f}" x2="{end:g}" y1="{axes.y(value):.2f}" y2="{axes.y(value):.2f}" stroke="{RULE}" '
        'stroke-width="0.5"/>'
        f'<text x="{left - 4:.2f}" y="{axes.y(value) + 2.2:.2f}" text-anchor="end" fill="{QUIET}" '
        f"{FONT}>{value:g}</text>"
        for value in axes.y_ticks
    ]
    out += [
        f'<line x1="{axes.x(value):.2f}" x2="{axes.x(value):.2f}" y1="{base:g}" y2="{base + 2.5:g}" stroke="{QUIET}" '
        'stroke-width="0.5"/>'
        f'<text x="{axes.x(value):.2f}" y="{base + 10.5:.2f}" text-anchor="middle" fill="{QUIET}" '
        f"{FONT}>{value:g}</text>"
        for value in ticks(axes.x_low, axes.x_high, 7 if axes.width > 300 else 5)
    ]
    out.append(f'<line x1="{left:.2f}" x2="{end:g}" y1="{base:g}" y2="{base:g}" stroke="{QUIET}" stroke-width="0.7"/>')
    return out


def _curves(axes: _Axes, lines: Sequence[Sequence[tuple[float, float]]], colour: str) -> list[str]:
    out = []
    for i, line in enumerate(lines):
        path = " ".join(f"{axes.x(a):.2f},{axes.y(b):.2f}" for a, b in line)
        look = (
            f'stroke="{colour}" stroke-width="1.3"'
            if i == len(lines) - 1
            else f'stroke="{EARLIER}" stroke-width="0.8" stroke-dasharray="{DASHES[i % 4]}"'
        )
        out.append(f'<polyline points="{path}" fill="none" stroke-linejoin="round" {look}/>')
    return out


def _mark(axes: _Axes, mark: Mark) -> str:
    shade = EARLIER if mark.hollow else INK
    fill = f'fill="#ffffff" stroke="{shade}" stroke-width="0.7"' if mark.hollow else f'fill="{shade}"'
    bar = ""
    if mark.half:
        bar = (
            f'<line x1="{axes.x(mark.x):.2f}" x2="{axes.x(mark.x):.2f}" y1="{axes.y(mark.y - mark.half):.2f}" '
            f'y2="{axes.y(mark.y + mark.half):.2f}" stroke="{shade}" stroke-width="0.7"/>'
        )
    return f'{bar}<circle cx="{axes.x(mark.x):.2f}" cy="{axes.y(mark.y):.2f}" r="1.8" {fill}/>'
