"""The discharge curves of the comparison page: scales, ticks and lines as numbers; the template draws them."""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, NamedTuple

from amphora.harness.report import plot_style as look
from amphora.harness.report.svg import ticks

CURVE_POINTS = 120
FIRST_SHOWN = 5
LOOKS = tuple(look.svg_look(place) for place in range(look.LOOKS))  # as in every picture: colour, dashes, marker
MARKS = ("M-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0", "M-3.5-3.5h7v7h-7z", "M0-4.5L4.5 4h-9z", "M0-5L5 0L0 5L-5 0z",
         "M0 4.5L4.5-4h-9z", "M-1.5-4.5h3v3h3v3h-3v3h-3v-3h-3v-3h3z")  # fmt: skip


@dataclass(frozen=True)
class Frame:
    """The picture and the room around its axes, in its own units."""

    width: int = 900
    height: int = 354
    left: int = 48
    right: int = 30
    top: int = 26
    bottom: int = 52


@dataclass(frozen=True)
class DrawnCurve:
    """A cell's discharge as the page draws it: points as (mAh given, volt), and the place of its look."""

    name: str
    points: list[list[float]]
    look: int


class CurveLine(NamedTuple):
    """A curve as SVG has it: points, where it ends, its colour, dashes and the path of its mark."""

    points: str
    end: str
    colour: str
    dash: str
    mark: str


def curve_of(name: str, points: Sequence[tuple[float, float]]) -> DrawnCurve | None:
    """Return a cell's curve of at most about `CURVE_POINTS`, from (Ah given, volt); None where there is no line."""
    finite = [(q, v) for q, v in points if math.isfinite(q) and math.isfinite(v)]
    if len(finite) < 2:
        return None
    stride = max(1, math.ceil(len(finite) / CURVE_POINTS))
    kept = finite[::stride] + ([finite[-1]] if (len(finite) - 1) % stride else [])
    return DrawnCurve(name, [[round(q * 1000, 1), round(v, 4)] for q, v in kept], 0)


@dataclass(frozen=True)
class Chart:
    """All curves and the scales that hold them."""

    curves: tuple[DrawnCurve, ...]
    most_mAh: float
    low_V: float
    high_V: float
    frame: Frame = Frame()

    def x(self, charge_mAh: float) -> float:
        """Where a charge stands."""
        f = self.frame
        return f.left + charge_mAh / self.most_mAh * (f.width - f.left - f.right)

    def y(self, voltage_V: float) -> float:
        """Where a voltage stands."""
        f = self.frame
        return f.top + (self.high_V - voltage_V) / (self.high_V - self.low_V) * (f.height - f.top - f.bottom)

    @property
    def base(self) -> int:
        """Where the axis of charge lies."""
        return self.frame.height - self.frame.bottom

    @property
    def volt_ticks(self) -> list[float]:
        """Round voltages."""
        return ticks(self.low_V, self.high_V, 6)

    @property
    def charge_ticks(self) -> list[float]:
        """Round charges."""
        return ticks(0, self.most_mAh, 9)

    @property
    def step_mAh(self) -> int:
        """By how much the slider moves."""
        return max(1, round(self.most_mAh / 200))

    @property
    def middle_mAh(self) -> int:
        """Where the slider begins."""
        return round(self.most_mAh / 2)

    @property
    def first_lines(self) -> list[CurveLine]:
        """The first few curves, drawn for a reader without scripts and for print."""
        lines = []
        for curve in self.curves[:FIRST_SHOWN]:
            points = [f"{self.x(q):.1f},{self.y(v):.1f}" for q, v in curve.points]
            colour, dash, mark = LOOKS[curve.look]
            lines.append(CurveLine(" ".join(points), points[-1], colour, dash, MARKS[mark]))
        return lines

    def for_script(self) -> dict[str, Any]:
        """Return what the page's script draws from."""
        return {
            "curves": [asdict(curve) for curve in self.curves],
            "most_mAh": self.most_mAh,
            "low_V": self.low_V,
            "high_V": self.high_V,
            "frame": asdict(self.frame),
            "looks": LOOKS,
            "marks": MARKS,
        }


def chart_of(curves: Sequence[DrawnCurve]) -> Chart:
    """Return the chart of these curves, each in the look of its cell."""
    places = look.places_of([curve.name for curve in curves])
    volts = [v for curve in curves for _, v in curve.points]
    most = max((q for curve in curves for q, _ in curve.points), default=1.0) or 1.0
    low, high = (min(volts), max(volts)) if volts else (0.0, 1.0)
    pad = (high - low) * 0.06 or 0.1
    drawn = tuple(replace(curve, look=place) for curve, place in zip(curves, places, strict=True))
    return Chart(drawn, most, round(low - pad, 4), round(high + pad, 4))
