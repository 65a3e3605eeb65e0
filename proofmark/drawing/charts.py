"""Small charts of a sheet: a histogram of deviations, a trend over revisions, tally strokes, progress against need."""

import math
from collections.abc import Callable, Iterable, Sequence

from django.utils.safestring import SafeString

from .numbers import Number, decimals_of, is_number, with_unit, written
from .svg import drawing, element, path, rect, text

BAR_EDGE = "#1d2227"
Place = Callable[[float], float]


# ---- histogram -------------------------------------------------------------------------------------------------------


def band(value: float, lower: float | None, upper: float | None, guard: float = 0.0) -> str:
    """The deviation band of a value: lo4 … mid … hi4. Four is outside the limit, three is the guard band."""
    limit, side = (upper, "hi") if value >= 0 else (lower, "lo")
    if not limit or limit * (1 if side == "hi" else -1) <= 0:
        return "mid"
    size, reach = abs(value), abs(limit)
    accepted = max(reach - guard, 0.0)
    if size > reach:
        return f"{side}4"
    if guard and size > accepted:
        return f"{side}3"
    step = int(3 * size / accepted) if accepted else 2
    return "mid" if step == 0 else f"{side}{min(step, 2)}"


def draw_histogram(
    edges: Sequence[Number],
    counts: Sequence[Number],
    *,
    lower: Number | None = None,
    upper: Number | None = None,
    guard: Number | None = None,
    unit: str = "mm",
    under: str = "share of points",
    label: str = "",
) -> SafeString | str:
    """Bars between `edges` (n + 1 rising values) of heights `counts` (n), coloured by deviation band.

    Values, limits and guard in `unit`, measured from nominal: positive means too high. `under`: what the bars count.
    Returns an empty string when there is nothing to draw. Raises ValueError when edges and counts do not fit.
    """
    if len(edges) != len(counts) + 1:
        raise ValueError(f"{len(counts)} counts need {len(counts) + 1} edges, not {len(edges)}.")
    bins, heights = [float(e) for e in edges], [float(c) for c in counts]
    total = sum(heights)
    if not total:
        return ""
    low = None if lower is None else float(lower)
    high = None if upper is None else float(upper)
    sure = float(guard or 0)
    stretch = [bins[0], bins[-1], *(v * 1.25 for v in (low, high) if v is not None)]
    start, end = min(stretch), max(stretch)
    left, right, base, top = 10.0, 410.0, 176.0, 66.0

    def at(value: float) -> float:
        return left + (value - start) * (right - left) / (end - start)

    parts = []
    if low is not None:
        parts.append(rect(left, 54, at(low) - left, base - 54, fill="url(#h-far)"))
    if high is not None:
        parts.append(rect(at(high), 54, right - at(high), base - 54, fill="url(#h-far)"))
    tallest = max(heights)
    for x1, x2, height in zip(bins, bins[1:], heights, strict=False):
        if height:
            kind = band((x1 + x2) / 2, low, high, sure)
            parts += _bar(at(x1), at(x2), base, (base - top) * height / tallest, kind)
    parts.append(path(f"M{left:g} {base:g}H{right:g}", "ax"))
    parts += _limit_lines(at, low, high, sure, base)
    parts += _scale(at, start, end, base)
    parts += [text(left, 208, under, "start"), text(right, 208, f"{unit} from nominal", "end")]
    inside = sum(
        height
        for x1, x2, height in zip(bins, bins[1:], heights, strict=False)
        if band((x1 + x2) / 2, low, high, sure)[-1] != "4"
    )
    name = label or f"Histogram of deviations; {written(100 * inside / total, 1)} percent of points inside the limits"
    return drawing(420, 212, parts, class_="chart hist", label=name, fluid=True)


def _bar(x1: float, x2: float, base: float, height: float, kind: str) -> list[str]:
    box = {"x": x1, "y": base - height, "width": x2 - x1, "height": height}
    parts = [element("rect", class_=kind, **box, stroke=BAR_EDGE, stroke_width=".75")]
    over = {"lo4": "h-lo", "hi4": "h-hi", "lo3": "h-dots", "hi3": "h-dots"}.get(kind)
    if over:
        parts.append(element("rect", **box, fill=f"url(#{over})"))
    return parts


def _limit_lines(at: Place, low: float | None, high: float | None, sure: float, base: float) -> list[str]:
    parts = [path(f"M{at(limit):.1f} 8V{base:g}", "lim") for limit in (low, high) if limit is not None]
    if low is None or high is None:
        return parts
    half = decimals_of(low, high)
    same = abs(low + high) < 1e-9
    words = f"±{written(high, half)}" if same else f"{written(low, half)} to {written(high, half, sign=True)}"
    parts += _dimension(at(low), at(high), 14, f"tolerance {words}")
    if sure and high - low > 2 * sure:
        inner_low, inner_high = low + sure, high - sure
        deep = decimals_of(round(inner_low, 4), round(inner_high, 4))
        parts += [path(f"M{at(v):.1f} 30V{base:g}", "pencil") for v in (inner_low, inner_high)]
        words = (
            f"accepted to ±{written(inner_high, deep)}"
            if same
            else f"accepted {written(inner_low, deep)} to {written(inner_high, deep, sign=True)}"
        )
        parts += _dimension(at(inner_low), at(inner_high), 36, words)
    return parts


def _dimension(x1: float, x2: float, y: float, words: str) -> list[str]:
    """A dimension line with arrows, broken for its figure."""
    half = 3.3 * len(words) + 6
    middle = (x1 + x2) / 2
    ends = ""
    if middle - half - x1 > 10:
        ends = f"M{x1:.1f} {y:g}H{middle - half:.1f}M{middle + half:.1f} {y:g}H{x2:.1f}"
    return [
        path(ends, "dim") if ends else "",
        path(f"M{x1:.1f} {y:g}l7 -2.6v5.2zM{x2:.1f} {y:g}l-7 -2.6v5.2z", "arr") if ends else "",
        text(middle, y + 4, words, class_="strong"),
    ]


def _scale(at: Place, start: float, end: float, base: float) -> list[str]:
    """Ticks at round values, five or so."""
    step = round_step((end - start) / 5)
    places = decimals_of(step)
    parts, value = [], math.ceil(start / step - 1e-9) * step
    while value <= end + 1e-9:
        parts.append(path(f"M{at(value):.1f} {base:g}v5", "ax"))
        parts.append(text(at(value), base + 18, written(value, places, sign=True)))
        value += step
    return parts


def round_step(rough: float) -> float:
    """The round step (1, 2 or 5 times a power of ten) at or above `rough`, which must be positive."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(m * power for m in (1, 2, 5, 10) if m * power >= rough * (1 - 1e-9))


# ---- trend -----------------------------------------------------------------------------------------------------------


def draw_trend(
    points: Iterable[tuple[str, Number]],
    *,
    limit: Number | None = None,
    forbidden: str = "above",
    unit: str = "",
    title: str = "",
    label: str = "",
) -> SafeString | str:
    """Dots by group in the order given, a line through the groups' means, the forbidden side of the limit hatched.

    points: (group, value) pairs; a group is a revision letter or another short name. forbidden: "above" or "below".
    Dots on the allowed side are solid, the others open. Returns an empty string without points.
    """
    if forbidden not in ("above", "below"):
        raise ValueError('forbidden is "above" or "below"')
    groups: dict[str, list[float]] = {}
    for group, value in points:
        if value is not None and is_number(value):
            groups.setdefault(str(group), []).append(float(value))
    if not groups:
        return ""
    bound = None if limit is None else float(limit)
    everything = [v for values in groups.values() for v in values] + ([] if bound is None else [bound])
    low, high = min(everything), max(everything)
    pad = 0.12 * ((high - low) or max(abs(high), 1.0))
    low, high = low - pad, high + pad
    left, right, top, base = 36.0, 128.0, 8.0, 104.0
    slot = (right - left) / len(groups)

    def at(value: float) -> float:
        return top + (high - value) * (base - top) / (high - low)

    def fine(value: float) -> bool:
        return bound is None or (value <= bound if forbidden == "above" else value >= bound)

    parts = []
    if bound is not None:
        y = at(bound)
        y1, y2 = (top, y) if forbidden == "above" else (y, base)
        parts.append(rect(left, y1, right - left, y2 - y1, fill="url(#h-far)"))
    parts.append(path(f"M{left:g} {top:g}V{base:g}H{right:g}", "ax"))
    if bound is not None:
        parts.append(path(f"M{left - 5:g} {at(bound):.1f}H{right:g}", "lim"))
        parts.append(text(left - 7, at(bound) + 4, written(limit), "end", "strong"))
    centres = [left + slot * (i + 0.5) for i in range(len(groups))]
    means = [sum(values) / len(values) for values in groups.values()]
    line = "L".join(f"{x:.1f} {at(m):.1f}" for x, m in zip(centres, means, strict=True))
    if len(groups) > 1:
        parts.append(path(f"M{line}", "line"))
    for x, (group, values) in zip(centres, groups.items(), strict=True):
        apart = min(8.0, (slot - 10) / max(len(values) - 1, 1)) if len(values) > 1 else 0.0
        first = x - apart * (len(values) - 1) / 2
        for i, value in enumerate(values):
            kind = "at" if fine(value) else "at out"
            parts.append(element("circle", class_=kind, cx=first + i * apart, cy=at(value), r=4))
        parts.append(text(x, 120, group, class_="let"))
    last, last_values = list(groups.items())[-1]
    worst = max(last_values) if forbidden == "above" else min(last_values)
    side = "at most" if forbidden == "above" else "at least"
    wanted = "" if bound is None else f"; wanted {side} {with_unit(limit, unit)}"
    name = label or f"{title or 'Trend'}: {last} at {with_unit(worst, unit)} at worst{wanted}"
    return drawing(134, 124, parts, class_="chart trend", label=name, fluid=True)


# ---- tally, freshness, progress --------------------------------------------------------------------------------------


def draw_tally(count: int, *, label: str = "") -> SafeString | str:
    """Strokes, fives crossed. Nothing for zero; past twenty-five the figure is easier, so none either."""
    if not 0 < count <= 25:
        return ""
    strokes, x = [], 2
    for fifth in range(count // 5):
        if fifth:
            x += 2
        strokes.append("".join(f"M{x + 6 * i} 2v14" for i in range(4)) + f"M{x - 2} 15L{x + 20} 3")
        x += 24
    if count >= 5 and count % 5:
        x += 2
    strokes += [f"M{x + 6 * i} 2v14" for i in range(count % 5)]
    width = x + 6 * (count % 5) - (4 if count % 5 else 2)
    name = label or ("once" if count == 1 else f"{count} times")
    return drawing(max(width, 4), 18, [path("".join(strokes))], class_="strokes", label=name)


def draw_freshness(share: float) -> SafeString:
    """Where now stands between the moment of checking (0) and the end of validity (1), as a dimension line."""
    x = 8 + 184 * min(max(share, 0.0), 1.0)
    parts = [
        path("M8 11H192", "dim"),
        path("M8 3v16M192 3v16", "lim"),
        path(f"M{x:.1f} 4.5l6.5 6.5l-6.5 6.5l-6.5 -6.5z", "at" if share < 1 else "at out"),
    ]
    used = written(100 * min(max(share, 0.0), 1.0), 0)
    return drawing(200, 22, parts, class_="gauge", label=f"{used} percent of the time this is good for", fluid=True)


def draw_made(needed: int, cast: int, installed: int) -> SafeString:
    """Cast and installed against needed: the frame is what is needed, a thin bar is cast, a thick one installed."""
    full = max(needed, cast, installed, 1)
    width = 272.0
    parts = [
        element("rect", class_="need", x=0.5, y=0.5, width=width * needed / full - 1, height=10.0) if needed else "",
        rect(0.5, 8, width * min(cast, full) / full - 1, 3, class_="bar") if cast else "",
        rect(0.5, 0.5, width * min(installed, full) / full - 1, 10, class_="bar") if installed else "",
    ]
    label = f"{cast} of {needed} cast, {installed} installed"
    return drawing(width, 11, parts, class_="progress-line", label=label)
