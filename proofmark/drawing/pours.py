"""Measured values of one characteristic in the order of pouring, against its limits and its control limits."""

from django.utils.safestring import SafeString

from metrology.over_pours import PourChart

from .charts import Place, round_step
from .numbers import decimals_of, written
from .svg import drawing, element, path, rect, text

WIDTH, HEIGHT = 960.0, 330.0
LEFT, RIGHT, TOP, BASE = 72.0, 876.0, 18.0, 284.0
SINGLE_MARKS = 300  # beyond it every point is a small dot, and only open ones are drawn large
MOST_NUMBERS = 14
CLOSE = 15.0  # labels nearer than this push each other away


def draw_pours(chart: PourChart) -> SafeString | str:
    """The chart as SVG; an empty string without values."""
    if not len(chart.values):
        return ""
    low, high = _span(chart)
    n = len(chart.values)
    step = (RIGHT - LEFT) / n

    def up(value: float) -> float:
        return TOP + (high - value) * (BASE - TOP) / (high - low)

    def across(place: float) -> float:
        return LEFT + step * (place + 0.5)

    parts = _zones(chart, up)
    parts += _scale(low, high, up)
    parts += _lines(chart, up)
    for place, letter in chart.changes:
        x = across(place - 0.5)
        parts += [path(f"M{x:.1f} {TOP:g}V{BASE:g}", "pencil"), text(x + 8, TOP + 12, letter, "start", "let")]
    points = [(across(place), up(min(max(value, low), high))) for place, value in enumerate(chart.values)]
    if n > 1:
        parts.append(path("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points), "thin"))
    parts += _points(chart, points)
    parts += _names(chart, points)
    return drawing(WIDTH, HEIGHT, parts, class_="chart pours", label=chart.says, fluid=True)


def _span(chart: PourChart) -> tuple[float, float]:
    """Limits and values with some air; a value far out does not squeeze all the others together."""
    limits = [v for v in (chart.lower, chart.upper) if v is not None]
    kept = [*limits, *(chart.control or ()), *([] if chart.centre is None else [chart.centre])]
    width = (max(limits) - min(limits)) if len(limits) == 2 else 0.0
    inner_low, inner_high = min([*kept, *chart.values]), max([*kept, *chart.values])
    if width:
        inner_low, inner_high = max(inner_low, min(limits) - 2 * width), min(inner_high, max(limits) + 2 * width)
    air = 0.08 * ((inner_high - inner_low) or abs(inner_high) * 0.1 or 1.0)
    return inner_low - air, inner_high + air


def _zones(chart: PourChart, up: Place) -> list[str]:
    """The forbidden sides hatched, the guard band dotted."""
    parts = []
    wide = RIGHT - LEFT
    if chart.upper is not None:
        y = up(chart.upper)
        parts.append(rect(LEFT, TOP, wide, y - TOP, fill="url(#h-far)"))
        if chart.guard:
            parts.append(rect(LEFT, y, wide, min(up(chart.upper - chart.guard), BASE) - y, fill="url(#h-guard)"))
    if chart.lower is not None:
        y = up(chart.lower)
        parts.append(rect(LEFT, y, wide, BASE - y, fill="url(#h-far)"))
        if chart.guard:
            edge = max(up(chart.lower + chart.guard), TOP)
            parts.append(rect(LEFT, edge, wide, y - edge, fill="url(#h-guard)"))
    return [f'<g opacity=".55">{"".join(parts)}</g>'] if parts else []


def _scale(low: float, high: float, up: Place) -> list[str]:
    step = round_step((high - low) / 6)
    places = decimals_of(round(step, 9), most=6)
    first, parts = int(low / step) - 1, []
    for number in range(first, first + 12):
        value = number * step
        if low <= value <= high:
            parts += [path(f"M{LEFT - 5:g} {up(value):.1f}h5", "ax"),
                      text(LEFT - 9, up(value) + 4, written(round(value, 9), places), "end")]  # fmt: skip
    return [*parts, path(f"M{LEFT:g} {TOP:g}V{BASE:g}H{RIGHT:g}", "ax")]


def _lines(chart: PourChart, up: Place) -> list[str]:
    """Limits of the drawing heavy, what the process does thin; their names at the right, kept apart."""
    rows: list[tuple[float, str, str]] = []
    for value, name in ((chart.lower, "lower limit"), (chart.upper, "upper limit")):
        if value is not None:
            rows.append((up(value), "lim", name))
    if chart.control is not None:
        rows += [(up(value), "chain", name) for value, name in
                 zip(chart.control, ("control", "control"), strict=True)]  # fmt: skip
    if chart.centre is not None:
        rows.append((up(chart.centre), "pencil", "mean"))
    parts = [path(f"M{LEFT:g} {y:.1f}H{RIGHT:g}", kind) for y, kind, _ in rows]
    last = -CLOSE
    for y, _, name in sorted(rows):
        last = max(y, last + CLOSE)
        parts.append(text(RIGHT + 8, last + 4, name, "start", "strong" if "limit" in name else None))
    return parts


def _points(chart: PourChart, points: list[tuple[float, float]]) -> list[str]:
    signals = set(chart.signals)
    parts = []
    if len(points) <= SINGLE_MARKS:
        for place, (x, y) in enumerate(points):
            kind = "at" if chart.conforming[place] else "at out"
            parts.append(path(f"M{x:.1f} {y - 6:.1f}l6 6l-6 6l-6 -6z", kind))
    else:
        dots = "".join(f"M{x:.1f} {y:.1f}h0" for (x, y), good in zip(points, chart.conforming, strict=True) if good)
        parts.append(path(dots, "dots"))
        for place, (x, y) in enumerate(points):
            if not chart.conforming[place]:
                parts.append(path(f"M{x:.1f} {y - 4.5:.1f}l4.5 4.5l-4.5 4.5l-4.5 -4.5z", "at out"))
    if signals:
        rings = "".join(f"M{points[p][0] - 10:.1f} {points[p][1]:.1f}a10 10 0 1 0 20 0a10 10 0 1 0 -20 0"
                        for p in sorted(signals))  # fmt: skip
        parts.append(path(rings, "dim"))
    return parts


def _names(chart: PourChart, points: list[tuple[float, float]]) -> list[str]:
    """Serials below, so many as there is room for, the last one always."""
    longest = max(len(name) for name in chart.names)
    fits = max(1, min(MOST_NUMBERS, int((RIGHT - LEFT) / (6.6 * longest + 14))))
    every = -(-len(points) // fits)
    parts = []
    for place in range(len(points) - 1, -1, -every):
        x = points[place][0]
        parts += [path(f"M{x:.1f} {BASE:g}v5", "ax"), text(x, BASE + 19, chart.names[place])]
    parts.append(text(LEFT, HEIGHT - 6, f"up: {chart.unit}" if chart.unit not in ("", "1") else "up: value", "start"))
    parts.append(text(RIGHT, HEIGHT - 6, "in the order of pouring; a ring: a rule of the chart saw something", "end"))
    return [element("g", "".join(parts))]
