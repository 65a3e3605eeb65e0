"""A plot from plain figures: lines, points, bars and areas over two axes, with limits."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from django.utils.safestring import SafeString

from metrology.calculations.plots import Axis, Mark, Plot, Series

from .charts import round_step
from .numbers import decimals_of, written
from .svg import drawing, element, path, rect, text

WIDTH, LEFT, RIGHT, TOP = 440.0, 58.0, 426.0, 12.0
HEIGHT = 200.0  # of the drawn field
CHARACTER = 6.2
LOOKS = {"main": "line", "second": "pencil", "third": "chain", "guard": "pencil"}
DOTS = {"main": "at", "second": "at out", "third": "at out", "guard": "at out"}
Convert = Callable[[float], float]


@dataclass(frozen=True)
class Scale:
    """From a value to a place on the drawing, along one axis."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False

    def at(self, value: float) -> float:
        value = self._flat(value)
        low, high = self._flat(self.low), self._flat(self.high)
        place = self.start + (value - low) * (self.end - self.start) / (high - low)
        return min(max(place, min(self.start, self.end) - 40), max(self.start, self.end) + 40)

    def _flat(self, value: float) -> float:
        return math.log10(max(value, 1e-300)) if self.log else value

    def ticks(self, about: int) -> list[float]:
        if self.log:
            powers = range(math.floor(self._flat(self.low)), math.ceil(self._flat(self.high)) + 1)
            return [v for v in (10.0**p for p in powers) if self.low * 0.999 <= v <= self.high * 1.001]
        step = round_step((self.high - self.low) / about)
        first = math.ceil(self.low / step - 1e-9)
        return [n * step for n in range(first, math.floor(self.high / step + 1e-9) + 1)]


def draw_plot(plot: Plot, *, x_unit: str = "", y_unit: str = "", x: Convert = float, y: Convert = float) -> SafeString:
    """x, y: from the plot's units to those that are shown, named by x_unit and y_unit (empty for plain numbers)."""
    xs, ys = _scales(plot, x, y)
    base = ys.start
    parts = _forbidden(plot.marks, xs, ys, x, y)
    parts += _axes(plot, xs, ys, x_unit, y_unit)
    for series in plot.series:
        parts += _series(series, xs, ys, x, y)
    parts += _marks(plot.marks, xs, ys, x, y)
    height = base + 40
    legend = [one for one in plot.series if one.label]
    if len(legend) > 1:
        parts += _legend(legend, height)
        height += 20 * len(legend)
    return drawing(WIDTH, height, parts, class_="chart plot", label=plot.says or plot.title, fluid=True)


def _scales(plot: Plot, x: Convert, y: Convert) -> tuple[Scale, Scale]:
    across = [x(v) for one in plot.series for v in one.x] + [x(m.at) for m in plot.marks if m.axis == "x"]
    up = [y(v) for one in plot.series for v in one.y] + [y(m.at) for m in plot.marks if m.axis == "y"]
    up += [y(one.base) for one in plot.series if one.shape in ("bars", "area")]
    bars = any(one.shape == "bars" for one in plot.series) or bool(plot.x.names)
    low_x, high_x = _stretch(across, plot.x, x, 0.5 if bars else 0.0)
    low_y, high_y = _stretch(up, plot.y, y, 0.0)
    field = HEIGHT
    if plot.equal:
        per = max((high_x - low_x) / (RIGHT - LEFT), (high_y - low_y) / 340)
        field = max((high_y - low_y) / per, 60.0)
        middle = (low_x + high_x) / 2
        low_x, high_x = middle - per * (RIGHT - LEFT) / 2, middle + per * (RIGHT - LEFT) / 2
    return Scale(low_x, high_x, LEFT, RIGHT, plot.x.log), Scale(low_y, high_y, TOP + field, TOP, plot.y.log)


def _stretch(values: Sequence[float], axis: Axis, to: Convert, half: float) -> tuple[float, float]:
    """Where an axis begins and ends: as asked, else round the values with some air."""
    low, high = min(values) - half, max(values) + half
    if axis.names:
        low, high = 0.5, len(axis.names) + 0.5
    if axis.log:
        positive = [v for v in values if v > 0] or [1.0]
        low, high = min(positive) / 1.2, max(positive) * 1.2
    else:
        air = 0.06 * (high - low)
        if high - low <= 1e-12 * max(abs(low), abs(high), 1e-12):
            air = abs(high) * 0.1 or 1.0
        low, high = low - air, high + air
    low = to(axis.low) if axis.low is not None else low
    high = to(axis.high) if axis.high is not None else high
    return (low, high) if high > low else (low, low + 1.0)


def _axes(plot: Plot, xs: Scale, ys: Scale, x_unit: str, y_unit: str) -> list[str]:
    base = ys.start
    parts = []
    places = _places(ys.ticks(5))
    for tick in ys.ticks(5):
        if not plot.y.names:
            parts.append(path(f"M{LEFT:g} {ys.at(tick):.1f}H{RIGHT:g}", "thin"))
            parts.append(text(LEFT - 6, ys.at(tick) + 4, _tick(tick, places), "end"))
    for number, name in enumerate(plot.y.names, start=1):
        parts.append(text(LEFT - 6, ys.at(number) + 4, name[:9], "end"))
    parts.append(path(f"M{LEFT:g} {TOP:g}V{base:g}H{RIGHT:g}", "ax"))
    if plot.x.names:
        parts += _names(plot.x.names, xs, base)
    else:
        ticks = xs.ticks(6)
        places = _places(ticks)
        widest = max((len(_tick(tick, places)) for tick in ticks), default=1) * CHARACTER + 10
        keep = max(1, math.ceil(widest * len(ticks) / (RIGHT - LEFT)))
        for number, tick in enumerate(ticks):
            parts.append(path(f"M{xs.at(tick):.1f} {base:g}v5", "ax"))
            if number % keep == 0:
                parts.append(text(xs.at(tick), base + 18, _tick(tick, places)))
    parts.append(text(RIGHT, base + 34, _label(plot.x, x_unit), "end"))
    parts.append(text(LEFT, base + 34, f"up: {_label(plot.y, y_unit)}", "start"))
    return parts


def _names(names: Sequence[str], xs: Scale, base: float) -> list[str]:
    longest = max(len(name) for name in names) * CHARACTER + 8
    keep = max(1, math.ceil(longest * len(names) / (RIGHT - LEFT)))
    shown = [(i, name) for i, name in enumerate(names, start=1) if (i - 1) % keep == 0]
    return [text(xs.at(i), base + 18, name) for i, name in shown]


def _label(axis: Axis, unit: str) -> str:
    return axis.label + (f" ({unit})" if unit not in ("", "1") else "")


def _places(ticks: Sequence[float]) -> int:
    return decimals_of(*(round(tick, 9) for tick in ticks), most=6)


def _tick(value: float, places: int) -> str:
    if value and (abs(value) >= 1e7 or abs(value) < 1e-4):
        mantissa, _, power = f"{value:.0e}".partition("e")
        return f"{mantissa}e{int(power)}".replace("-", "\u2212")
    return written(round(value, 9), places)


def _series(series: Series, xs: Scale, ys: Scale, x: Convert, y: Convert) -> list[str]:
    points = [(xs.at(x(a)), ys.at(y(b))) for a, b in zip(series.x, series.y, strict=True)]
    base = ys.at(y(series.base))
    look = LOOKS[series.look]
    trace = "L".join(f"{a:.1f} {b:.1f}" for a, b in points)
    match series.shape:
        case "line":
            return [path(f"M{trace}", look)]
        case "outline":
            return [path(f"M{trace}Z", look)]
        case "steps":
            first, *rest = points
            stairs = "".join(f"H{a:.1f}V{b:.1f}" for a, b in rest)
            return [path(f"M{first[0]:.1f} {first[1]:.1f}{stairs}", look)]
        case "area":
            around = f"M{points[0][0]:.1f} {base:.1f}L{trace}L{points[-1][0]:.1f} {base:.1f}Z"
            return [path(around, None, fill="url(#h-guard)"), path(f"M{trace}", look)]
        case "bars":
            gaps = [b[0] - a[0] for a, b in zip(points, points[1:], strict=False)]
            half = 0.4 * min([abs(gap) for gap in gaps if gap] or [40.0])
            return [
                rect(
                    a - half,
                    min(b, base),
                    2 * half,
                    max(abs(base - b), 0.5),
                    class_="bar" if series.look == "main" else "bar-open",
                )
                for a, b in points
            ]
    dot = DOTS[series.look]
    size = 4.0 if len(points) <= 120 else 2.2
    parts = [element("circle", class_=dot, cx=a, cy=b, r=size) for a, b in points]
    names = zip(points, series.names, strict=False)
    return parts + [text(a + 7, b - 6, name, "start") for (a, b), name in names if name]


def _forbidden(marks: Sequence[Mark], xs: Scale, ys: Scale, x: Convert, y: Convert) -> list[str]:
    parts = []
    for mark in marks:
        if not mark.forbidden:
            continue
        if mark.axis == "y":
            level = min(max(ys.at(y(mark.at)), TOP), ys.start)
            top, bottom = (TOP, level) if mark.forbidden == "above" else (level, ys.start)
            parts.append(rect(LEFT, top, RIGHT - LEFT, bottom - top, fill="url(#h-far)"))
        else:
            level = min(max(xs.at(x(mark.at)), LEFT), RIGHT)
            left, right = (level, RIGHT) if mark.forbidden == "above" else (LEFT, level)
            parts.append(rect(left, TOP, right - left, ys.start - TOP, fill="url(#h-far)"))
    return parts


def _marks(marks: Sequence[Mark], xs: Scale, ys: Scale, x: Convert, y: Convert) -> list[str]:
    parts = []
    for number, mark in enumerate(marks):
        look = "lim" if mark.heavy else "pencil"
        if mark.axis == "y":
            level = ys.at(y(mark.at))
            if not TOP - 1 <= level <= ys.start + 1:
                continue
            parts.append(path(f"M{LEFT:g} {level:.1f}H{RIGHT:g}", look))
            if mark.label:
                parts += _plate(RIGHT - 4, level - 5 if level > TOP + 16 else level + 15, mark.label, "end")
        else:
            place = xs.at(x(mark.at))
            if not LEFT - 1 <= place <= RIGHT + 1:
                continue
            parts.append(path(f"M{place:.1f} {TOP:g}V{ys.start:g}", look))
            if mark.label:
                end = place > (LEFT + RIGHT) / 2
                down = TOP + 12 + 16 * (number % 3)
                parts += _plate(place + (-5 if end else 5), down, mark.label, "end" if end else "start")
    return parts


def _plate(x: float, y: float, words: str, anchor: str) -> list[str]:
    """Words on a paper plate, so that they never lie on hatch."""
    width = CHARACTER * len(words) + 4
    left = x - width + 2 if anchor == "end" else x - 2
    return [rect(left, y - 11, width, 15, class_="plate-bg"), text(x, y, words, anchor, "strong")]


def _legend(rows: Sequence[Series], top: float) -> list[str]:
    parts = []
    for number, one in enumerate(rows):
        y = top + 10 + 20 * number
        if one.shape == "points":
            parts.append(element("circle", class_=DOTS[one.look], cx=LEFT + 14, cy=y - 4, r=4))
        elif one.shape == "bars":
            parts.append(rect(LEFT, y - 9, 28, 9, class_="bar" if one.look == "main" else "bar-open"))
        else:
            parts.append(path(f"M{LEFT:g} {y - 4:.1f}h28", LOOKS[one.look]))
        parts.append(text(LEFT + 36, y, one.label, "start"))
    return parts
