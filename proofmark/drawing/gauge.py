"""A value against its limits as a dimension line.

Ticks are limits, arrows the accepted width, dots the guard band, hatch the forbidden side, the diamond the value:
solid where it conforms, open where it does not or is not proven.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.safestring import SafeString

from metrology.statistics.conformity import decide

from .numbers import Number, decimals_of, is_number, with_unit, written
from .svg import drawing, path, rect, text

WIDTH, HEIGHT = 168.0, 34.0
MARGIN = 8.0
AXIS, TOP, DEEP = 11.0, 4.0, 14.0
CHARACTER = 6.4
FARTHEST = 1.2
FINDINGS = {
    "conforms": "inside",
    "does not conform": "outside",
    "inconclusive": "inconclusive, too close to a limit for this uncertainty",
}


@dataclass(frozen=True)
class Gauge:
    """Limits and values in one unit, as plain floats, and what follows from them."""

    lower: float | None
    upper: float | None
    guard: float
    values: tuple[float, ...]

    def finding(self, value: float) -> str:
        """conforms, does not conform or inconclusive, by the same rule that decides everywhere else."""
        if self.lower is None and self.upper is None:
            return "conforms"
        return decide(value, self.lower, self.upper, self.guard).result

    def span(self) -> tuple[float, float]:
        """The stretch of values the drawing shows. Limits stay readable however far out a value lies."""
        low, high = self.lower, self.upper
        if low is not None and high is not None:
            width = (high - low) or max(abs(low) * 0.1, 4 * self.guard, 1.0)
            return self._reaching(low, high, 0.31 * width, 0.31 * width, FARTHEST * width)
        limit = high if low is None else low
        if limit is None:
            first, last = min(self.values), max(self.values)
            width = (last - first) or max(abs(first), 1.0)
            return first - 0.3 * width, last + 0.3 * width
        reach = max((abs(v - limit) for v in self.values), default=0.0)
        width = max(reach, 3 * self.guard, 0.12 * abs(limit)) or 1.0
        if high is None:
            return self._reaching(limit, limit + 1.3 * width, 0.8 * width, 0.0, 1.3 * width)
        return self._reaching(limit - 1.3 * width, limit, 0.0, 0.8 * width, 1.3 * width)

    def _reaching(self, low: float, high: float, before: float, after: float, far: float) -> tuple[float, float]:
        """low to high with air on both sides, and farther out to the values, at most `far`."""
        below = max((min((low - v) * 1.15, far) for v in self.values), default=0.0)
        above = max((min((v - high) * 1.15, far) for v in self.values), default=0.0)
        return low - max(before, below), high + max(after, above)


def draw_gauge(
    *,
    lower: Number | None = None,
    upper: Number | None = None,
    value: Number | Sequence[Number] | None = None,
    guard: Number | None = None,
    unit: str = "",
    decimals: int | None = None,
    label: str = "",
) -> SafeString | str:
    """The dimension line as SVG, or an empty string when there is neither a limit nor a value.

    lower, upper, value (one or several) and guard (the uncertainty U taken off each limit) in the same unit.
    decimals: of the limits' labels; by default as many as the limits need. label: the accessible name, made from
    the finding when empty.
    """
    several = value if isinstance(value, list | tuple) else [value]
    shown = [v for v in several if v is not None and is_number(v)]
    gauge = Gauge(
        None if lower is None else float(lower),
        None if upper is None else float(upper),
        float(guard or 0),
        tuple(float(v) for v in shown),
    )
    if gauge.lower is None and gauge.upper is None and not shown:
        return ""
    places = decimals_of(lower, upper) if decimals is None else decimals
    parts = _parts(gauge, lower, upper, places)
    name = label or _name(gauge, lower, upper, shown, unit, places)
    return drawing(WIDTH, HEIGHT, parts, class_="gauge", label=name)


def _parts(gauge: Gauge, lower: Number | None, upper: Number | None, places: int) -> list[str]:
    start, end = gauge.span()
    scale = (WIDTH - 2 * MARGIN) / (end - start)

    def at(value: float) -> float:
        return min(max(MARGIN + (value - start) * scale, MARGIN), WIDTH - MARGIN)

    low = None if gauge.lower is None else at(gauge.lower)
    high = None if gauge.upper is None else at(gauge.upper)
    parts = []
    if low is not None:
        parts.append(rect(0, TOP, low, DEEP, fill="url(#h-out)"))
    if high is not None:
        parts.append(rect(high, TOP, WIDTH - high, DEEP, fill="url(#h-out)"))
    inner_low, inner_high = MARGIN if low is None else low, WIDTH - MARGIN if high is None else high
    if gauge.guard and low is not None:
        inner_low = min(at(gauge.lower + gauge.guard), inner_high)
        parts.append(_dots(low, inner_low))
    if gauge.guard and high is not None:
        inner_high = max(at(gauge.upper - gauge.guard), inner_low if low is None else low)
        parts.append(_dots(inner_high, high))
    if inner_high - inner_low > 1:
        parts.append(_line(gauge, low, high, inner_low, inner_high))
    parts += _ticks(low, high, lower, upper, places)
    return [*parts, *(_diamond(gauge, value, at(value), start, end) for value in gauge.values)]


def _dots(x1: float, x2: float) -> str:
    return rect(x1, TOP, x2 - x1, DEEP, fill="url(#h-guard)")


def _line(gauge: Gauge, low: float | None, high: float | None, inner_low: float, inner_high: float) -> str:
    """The accepted width: a line with arrows at the ends that are limited, and short ticks where a guard band ends."""
    parts = [path(f"M{inner_low:.1f} {AXIS:g}H{inner_high:.1f}", "dim")]
    arrows = inner_high - inner_low > 18
    if low is not None:
        if gauge.guard:
            parts.append(path(f"M{inner_low:.1f} {TOP:g}v{DEEP:g}", "dim"))
        if arrows:
            parts.append(path(f"M{inner_low:.1f} {AXIS:g}l7 -2.6v5.2z", "arr"))
    if high is not None:
        if gauge.guard:
            parts.append(path(f"M{inner_high:.1f} {TOP:g}v{DEEP:g}", "dim"))
        if arrows:
            parts.append(path(f"M{inner_high:.1f} {AXIS:g}l-7 -2.6v5.2z", "arr"))
    return "".join(parts)


def _ticks(low: float | None, high: float | None, lower: Number | None, upper: Number | None, places: int) -> list[str]:
    words = [(x, written(limit, places)) for x, limit in ((low, lower), (high, upper)) if x is not None]
    crowded = len(words) == 2 and words[1][0] - words[0][0] < CHARACTER * (len(words[0][1]) + len(words[1][1])) / 2 + 6
    parts = []
    for index, (x, label) in enumerate(words):
        parts.append(path(f"M{x:.1f} 1V21", "lim"))
        half = CHARACTER * len(label) / 2
        if crowded:
            parts.append(text(x + (3 if index else -3), 32, label, "start" if index else "end"))
        else:
            parts.append(text(min(max(x, half), WIDTH - half), 32, label))
    return parts


def _diamond(gauge: Gauge, value: float, x: float, start: float, end: float) -> str:
    """The value. Beyond the drawn stretch it stands at the edge, behind a double break line."""
    parts = []
    if value > end:
        parts.append(path(f"M{x - 13:.1f} 17l4 -12M{x - 9:.1f} 17l4 -12", "dim"))
    elif value < start:
        parts.append(path(f"M{x + 9:.1f} 17l4 -12M{x + 5:.1f} 17l4 -12", "dim"))
    kind = "at" if gauge.finding(value) == "conforms" else "at out"
    parts.append(path(f"M{x:.1f} 4.5l6.5 6.5l-6.5 6.5l-6.5 -6.5z", kind))
    return "".join(parts)


def _name(
    gauge: Gauge, lower: Number | None, upper: Number | None, shown: Sequence[Number], unit: str, places: int
) -> str:
    """The finding in words: value, limits, uncertainty, inside or not."""
    limits = _limits_in_words(lower, upper, unit, places)
    if not shown:
        return f"No value yet; {limits}"
    if len(shown) == 1:
        said = with_unit(shown[0], unit)
    else:
        deep = decimals_of(*shown)
        said = f"{len(shown)} values, {written(min(shown), deep)} to {with_unit(max(shown), unit, deep)}"
    if not limits:
        return said
    found = {gauge.finding(v) for v in gauge.values}
    worst = next(f for f in ("does not conform", "inconclusive", "conforms") if f in found)
    sure = f", sure to {with_unit(gauge.guard, unit)}" if gauge.guard else ""
    return f"{said}; {limits}{sure}: {FINDINGS[worst]}"


def _limits_in_words(lower: Number | None, upper: Number | None, unit: str, places: int) -> str:
    if lower is not None and upper is not None:
        return f"limits {written(lower, places)} to {with_unit(upper, unit, places)}"
    if lower is not None:
        return f"at least {with_unit(lower, unit, places)}"
    return f"at most {with_unit(upper, unit, places)}" if upper is not None else ""
