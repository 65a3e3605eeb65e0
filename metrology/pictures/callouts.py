"""Numbered labels with leaders: what they say and where there is room for them."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, hypot, pi, sin
from typing import Any, Protocol

import numpy as np

from metrology.bodies import Floats
from metrology.pictures.edges import in_sight
from metrology.pictures.furniture import Box
from metrology.pictures.lettering import Lettering, drawable
from metrology.pictures.palette import GRAPHITE, LEAD, PAPER, Scale
from metrology.pictures.raster import Seen
from metrology.pictures.strokes import Canvas, Point, disc, rectangle, stroke
from metrology.pictures.views import Camera

HEAD, PLACE, _PAD, _LEADING, _WIDEST = 20.0, 17.0, 9.0, 22.0, 380.0
_ANGLES, _DISTANCES = 24, (46.0, 70.0, 100.0, 140.0, 190.0, 250.0, 320.0, 400.0, 500.0)


class Named(Protocol):
    """A place worth naming: see `metrology.comparison.compare.Callout`. `normal` may be missing."""

    @property
    def number(self) -> int: ...
    @property
    def at(self) -> Floats: ...
    @property
    def value(self) -> float: ...
    @property
    def sentence(self) -> str: ...


@dataclass(frozen=True)
class Label:
    """lines: bold first line, then the place, if it can be written. outside: beyond the limits, so framed thickly."""

    anchor: Point
    box: Box
    lines: tuple[str, ...]
    outside: bool


def words_of(callout: Named) -> tuple[str, ...]:
    """ "1: 1.8 mm too high" and "at the seat"; the place is left out when the font cannot write it."""
    said, at, place = callout.sentence.rstrip(".").partition(" at ")
    head = f"{callout.number}: {said}"
    return (head, f"at {place}") if at and drawable(place) else (head,)


def sort_out(callouts: Sequence[Named], view: Camera, seen: Seen) -> tuple[list[tuple[Named, Point]], list[Named]]:
    """Callouts that are seen, with their pixels, and those hidden from this side."""
    shown: list[tuple[Named, Point]] = []
    hidden: list[Named] = []
    height, width = seen.face.shape
    for callout in callouts:
        place = view.place(np.asarray(callout.at, dtype=np.float64))
        x, y = float(place[0]), float(place[1])
        normal: Any = getattr(callout, "normal", None)
        turned_away = normal is not None and float(np.dot(normal, view.axes[2])) < 0.02
        inside = 0 <= x < width and 0 <= y < height
        if inside and not turned_away and in_sight(place[None], seen)[0][0]:
            shown.append((callout, (x, y)))
        else:
            hidden.append(callout)
    return shown, hidden


def place_labels(
    shown: Sequence[tuple[Named, Point]],
    scale: Scale,
    lettering: Lettering,
    unit: float,
    room: Box,
    taken: Sequence[Box],
    busy: Floats,
) -> list[Label]:
    """Labels clear of each other, as near as possible, on quiet ground. room: the box to stay in. taken: boxes to stay
    off. busy: (height, width) how unwelcome a label is at each pixel, 0 to 1."""
    summed = np.pad(busy, ((1, 0), (1, 0))).cumsum(axis=0).cumsum(axis=1)
    points = [(x - 9 * unit, y - 9 * unit, x + 9 * unit, y + 9 * unit) for _, (x, y) in shown]
    labels: list[Label] = []
    for number, (callout, anchor) in enumerate(shown):
        lines = tuple(
            lettering.fitted(line, PLACE if k else HEAD, _WIDEST * unit, bold=not k)
            for k, line in enumerate(words_of(callout))
        )
        wide = max(lettering.width(line, PLACE if k else HEAD, bold=not k) for k, line in enumerate(lines))
        size = (wide + 2 * _PAD * unit, (len(lines) * _LEADING + 1.5 * _PAD) * unit)
        others = [*taken, *(label.box for label in labels), *(p for k, p in enumerate(points) if k != number)]
        leaders = [(label.anchor, _toward(label.box, label.anchor)) for label in labels]
        box = _best(anchor, size, unit, room, others, leaders, summed)
        outside = not scale.edges[0] <= callout.value <= scale.edges[-1]
        labels.append(Label(anchor, box, lines, outside))
    return labels


def leader_boxes(labels: Sequence[Label], unit: float) -> list[Box]:
    """Small boxes along leaders, from the points on: where nothing else should be drawn."""
    found = []
    for label in labels:
        end, half = _toward(label.box, label.anchor), 9 * unit
        for part in np.linspace(0.0, 1.0, 2 + int(hypot(end[0] - label.anchor[0], end[1] - label.anchor[1]) / half)):
            x, y = (a + float(part) * (b - a) for a, b in zip(label.anchor, end, strict=True))
            found.append((x - half, y - half, x + half, y + half))
    return found


def draw_leaders(canvas: Canvas, labels: Sequence[Label], unit: float) -> None:
    """Leaders, points and empty boxes; the words are written when the canvas has become an image."""
    for label in labels:
        end = _toward(label.box, label.anchor)
        stroke(canvas, label.anchor, end, 4.5 * unit, PAPER)
        stroke(canvas, label.anchor, end, 1.7 * unit)
    for label in labels:
        disc(canvas, label.anchor, 7.5 * unit, GRAPHITE)
        disc(canvas, label.anchor, 4.7 * unit, PAPER)
    for label in labels:
        rectangle(canvas, label.box, PAPER, max(round((3.2 if label.outside else 1.5) * unit), 1))


def write_labels(lettering: Lettering, labels: Sequence[Label], unit: float) -> None:
    for label in labels:
        left, top = label.box[0] + _PAD * unit, label.box[1] + (_PAD * 0.75 + 16.0) * unit
        for k, line in enumerate(label.lines):
            at = (left, top + k * _LEADING * unit)
            lettering.write(at, line, PLACE if k else HEAD, bold=not k, fill=LEAD if k else GRAPHITE)


def _best(
    anchor: Point,
    size: tuple[float, float],
    unit: float,
    room: Box,
    taken: Sequence[Box],
    leaders: Sequence[tuple[Point, Point]],
    summed: Floats,
) -> Box:
    """The cheapest of many boxes around the anchor."""
    cheapest, best = np.inf, (anchor[0], anchor[1], anchor[0] + size[0], anchor[1] + size[1])
    for distance in _DISTANCES:
        for turn in range(_ANGLES):
            way = (cos(2 * pi * (turn + 0.5) / _ANGLES), sin(2 * pi * (turn + 0.5) / _ANGLES))
            # Push the box out until its nearest side is the given distance away.
            out = distance * unit + min(size[0] / 2 / abs(way[0]), size[1] / 2 / abs(way[1]))
            x, y = anchor[0] + way[0] * out, anchor[1] + way[1] * out
            box = (x - size[0] / 2, y - size[1] / 2, x + size[0] / 2, y + size[1] / 2)
            kept = _pushed_into(box, room)
            leader = (anchor, _toward(kept, anchor))
            length = hypot(leader[1][0] - anchor[0], leader[1][1] - anchor[1])
            cost = length / unit + 350 * _mean(summed, kept)
            if cost >= cheapest:
                continue
            cost += 3000 * (sum(_overlap(kept, other, 6 * unit) for other in taken) + 4 * (length < 20 * unit))
            cost += 400 * sum(_meet(*leader, *other) for other in leaders)
            cost += 400 * sum(_passes(leader, other) for other in taken)
            if cost < cheapest:
                cheapest, best = cost, kept
    return best


def _pushed_into(box: Box, room: Box) -> Box:
    x = max(room[0] - box[0], 0.0) + min(room[2] - box[2], 0.0)
    y = max(room[1] - box[1], 0.0) + min(room[3] - box[3], 0.0)
    return box[0] + x, box[1] + y, box[2] + x, box[3] + y


def _toward(box: Box, point: Point) -> Point:
    """The point of a box nearest to another."""
    return min(max(point[0], box[0]), box[2]), min(max(point[1], box[1]), box[3])


def _overlap(a: Box, b: Box, gap: float) -> bool:
    return a[0] < b[2] + gap and b[0] < a[2] + gap and a[1] < b[3] + gap and b[1] < a[3] + gap


def _passes(leader: tuple[Point, Point], box: Box) -> bool:
    """Whether a leader runs through a box."""
    enter, leave = 0.0, 1.0
    for start, stop, low, high in zip(*leader, box[:2], box[2:], strict=True):
        if start == stop:
            if not low < start < high:
                return False
            continue
        first, last = sorted(((low - start) / (stop - start), (high - start) / (stop - start)))
        enter, leave = max(enter, first), min(leave, last)
    return enter < leave


def _meet(a: Point, b: Point, c: Point, d: Point) -> bool:
    def side(p: Point, q: Point, r: Point) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0


def _mean(summed: Floats, box: Box) -> float:
    left, top, right, bottom = (int(np.clip(edge, 0, summed.shape[1 - k % 2] - 1)) for k, edge in enumerate(box))
    total = summed[bottom, right] - summed[top, right] - summed[bottom, left] + summed[top, left]
    return float(total) / max((right - left) * (bottom - top), 1)
